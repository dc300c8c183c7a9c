"""Messages that are not packs: status, events, commands with their replies, and confirmations (JSON).

Unknown fields are ignored, so that a newer unit or service may say more than we understand.
"""

from typing import Annotated, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError, model_validator

from services.telemetry._samples import Rejected

MAX_MESSAGE_BYTES = 65_536
HIGHEST_COUNT = 2**53 - 1

Count = Annotated[int, Field(strict=True, ge=0, le=HIGHEST_COUNT)]
Words = Annotated[str, StringConstraints(max_length=200)]
Code = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,31}$")]
CommandName = Literal["status", "backfill", "set", "reboot", "update"]

SHORTEST_INTERVAL_S = 10
LONGEST_INTERVAL_S = 3_600


class Message(BaseModel):
    """The base of all messages."""

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False, populate_by_name=True)

    def to_json(self) -> bytes:
        """Return the message as it travels; fields that say nothing are left out."""
        return self.model_dump_json(by_alias=True, exclude_none=True).encode()


class _Exact(Message):
    """Arguments of a command: here an unknown field is a mistake."""

    model_config = ConfigDict(extra="forbid")


class Status(Message):
    """What a unit says of itself on connecting; retained, and left behind as the will (``lost``)."""

    s: Literal["on", "sleep", "off", "lost"]
    bid: Count
    """Boot counter; a ``lost`` of an older boot than the current one says nothing."""
    fw: Words | None = None
    """Firmware version."""
    cap: tuple[Code, ...] = Field(default=(), max_length=64)
    """What the unit can do beyond the minimum."""
    next: Count | None = None
    """Seconds to the next contact, for units that sleep."""


class AckMark(Message):
    """Everything of one boot up to a sample number is held, or declared missing."""

    bid: Count
    sq: Count


class SkippedStretch(Message):
    """Sample numbers of one boot that are given up, both ends inclusive."""

    bid: Count
    from_sq: Count = Field(alias="from")
    to_sq: Count = Field(alias="to")
    reason: Words

    @model_validator(mode="after")
    def _forwards(self) -> "SkippedStretch":
        if self.to_sq < self.from_sq:
            raise ValueError("to lies before from")
        return self


class Ack(Message):
    """What the service holds durably; the unit may forget it, and need not send what is skipped."""

    v: Literal[1] = 1
    acks: tuple[AckMark, ...] = ()
    skipped: tuple[SkippedStretch, ...] = ()


class NoArgs(_Exact):
    """For commands that need none."""


class BackfillArgs(_Exact):
    """Send these samples again, both ends inclusive."""

    bid: Count
    from_sq: Count = Field(alias="from")
    to_sq: Count = Field(alias="to")

    @model_validator(mode="after")
    def _forwards(self) -> "BackfillArgs":
        if self.to_sq < self.from_sq:
            raise ValueError("to lies before from")
        return self


class SetArgs(_Exact):
    """The reporting interval: all that version 1 sets from afar."""

    interval_s: Annotated[int, Field(strict=True, ge=SHORTEST_INTERVAL_S, le=LONGEST_INTERVAL_S)]


class UpdateArgs(_Exact):
    """Install this signed firmware."""

    version: Words
    sha256: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]


_ARGS: dict[str, type[_Exact]] = {"backfill": BackfillArgs, "set": SetArgs, "update": UpdateArgs}


class Command(Message):
    """One of a closed list. Set point and cut-out are not on it, whoever asks.

    Response Topic, Correlation Data (16 random bytes) and Message Expiry travel as MQTT properties.
    """

    name: CommandName
    args: BackfillArgs | SetArgs | UpdateArgs | NoArgs = NoArgs()

    @model_validator(mode="after")
    def _args_fit(self) -> "Command":
        if type(self.args) is not _ARGS.get(self.name, NoArgs):
            raise ValueError(f"these are not the arguments of {self.name}")
        return self


class CommandReply(Message):
    """A unit's answer; Correlation Data says to which command."""

    name: CommandName
    result: Literal["done", "refused", "gone", "failed"]
    """``gone``: the samples asked for are no longer in the unit's memory."""
    detail: Words | None = None
    gone: tuple[BackfillArgs, ...] = Field(default=(), max_length=64)
    """The stretches that are gone."""


class Event(Message):
    """Something that happened at a moment: boot, cut_out, restart, clock_step, sensor_failed and the like."""

    kind: Code
    bid: Count
    sq: Count | None = None
    """The sample it belongs to."""
    t: Annotated[float, Field(ge=0, lt=253_402_300_800)] | None = None
    """Unix time, left out while the clock is not set. [s]"""
    up: Annotated[float, Field(ge=0, le=HIGHEST_COUNT)] | None = None
    """Uptime. [s]"""
    channel: Code | None = None
    detail: Words | None = None


_Message = TypeVar("_Message", bound=Message)


def parse_message(model: type[_Message], payload: bytes, *, unit: str | None = None) -> _Message | Rejected:
    """Return a message of the given model, or why it is none; never raises on what was sent."""
    if len(payload) > MAX_MESSAGE_BYTES:
        detail = f"{len(payload)} bytes, at most {MAX_MESSAGE_BYTES} are taken"
        return Rejected("too_large", detail, unit)
    try:
        return model.model_validate_json(payload)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False, include_context=False)[0]
        place = ".".join(str(part) for part in first["loc"])[:80]
        return Rejected("bad_message", f"{place or 'message'}: {first['msg']}"[:200], unit)
