"""Shapes that go in and out over HTTP, beside those of the domain."""

from typing import Annotated, Generic, Literal, TypeVar

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, StringConstraints

from services.domain import BatchNew, PhoneTimes, SiteKind, UnitState

Item = TypeVar("Item")

Name = Annotated[str, StringConstraints(min_length=1, max_length=80, strip_whitespace=True)]
Words = Annotated[str, StringConstraints(min_length=1, max_length=500, strip_whitespace=True)]
UnitId = Annotated[str, StringConstraints(pattern=r"^[a-z0-9-]{3,32}$")]
ProbeC = Annotated[float, Field(ge=-60, le=100, allow_inf_nan=False)]

Disposition = Literal["kept", "cooked_at_once", "refrozen", "moved", "discarded"]
"""What became of the food when a hold was closed."""


class Wire(BaseModel):
    """An immutable body that refuses fields it does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class FieldFault(Wire):
    """What was wrong with one field of a request."""

    field: str
    message: str


class Problem(Wire):
    """RFC 9457 problem details; `code` is stable and meant for programs."""

    type: Literal["about:blank"] = "about:blank"
    title: str
    status: int
    detail: str
    code: str
    errors: tuple[FieldFault, ...] = ()


class Listing(Wire, Generic[Item]):
    """A list; `next` is where the rest is, null when this is all."""

    items: tuple[Item, ...]
    next: str | None = None
    reason: str | None = None
    """Why the list is empty because nothing could be told, null when it is simply empty."""


class SiteRow(Wire):
    """A place and the cabinets in it."""

    id: str
    name: str
    kind: SiteKind
    timezone: str
    units: tuple[str, ...]


class ChannelBins(Wire):
    """One channel in bins of time; null where a bin holds no reading."""

    t_ms: tuple[int, ...]
    """Start of each bin. [ms since 1970-01-01 UTC]"""
    min: tuple[float | None, ...]
    max: tuple[float | None, ...]
    mean: tuple[float | None, ...]
    count: tuple[int, ...]


class Samples(Wire):
    """Readings of a unit thinned to at most so many bins; peaks and gaps survive."""

    bin_s: float
    channels: dict[str, ChannelBins]


class CountedTime(Wire):
    """Time above a mark in stretches of time, and how much of each is known."""

    above_min: tuple[float, ...]
    told_min: tuple[float, ...]


class CountedCharge(Wire):
    """Charge a unit drew and gave back in stretches of time; null where no current was measured."""

    drawn_ah: tuple[float | None, ...]
    given_ah: tuple[float | None, ...]
    told_min: tuple[float, ...]


class Counted(Wire):
    """What stretches of time held, added up from hours."""

    mark_c: float
    """The mark that was counted: the limit, or the next colder one that is kept. [°C]"""
    cabinet: CountedTime
    product: CountedTime | None
    charge: CountedCharge | None


class WaitingUnit(Wire):
    """A unit nobody has added yet; its packs are kept and not confirmed to it."""

    unit: str
    packs: int
    first_ms: int
    last_ms: int


class StatementRow(Wire):
    """Something a named person said about a unit; never changed, only added to."""

    id: int
    t_ms: int
    unit: str
    who: str
    kind: str
    body: dict[str, str | float | bool | None]
    signed: str | None = None
    """``account``: by a person who had logged in; ``pin``: by a name whose PIN was shown; else by a name
    that was chosen, not verified."""
    phone: PhoneTimes | None = None
    """Both clocks of what was kept on a phone until it could be sent."""


class Release(Wire):
    """The closing of a hold: who, what the probe read, what became of the food, and why."""

    unit: UnitId
    person: Name
    probe_c: ProbeC
    disposition: Disposition
    reason: Words
    to_unit: UnitId | None = None
    """Where food was moved or frozen."""


class Check(Wire):
    """What a person says at a cabinet: a reading taken by hand, a note, or both; or of another kind.

    A sensor in melting ice, a signature under a record, a check of the cabinet, a call for help, the answer
    to one.
    Of an ice point, `probe_c` is what the sensor of `channel` reads where 0 °C is true.
    """

    unit: UnitId
    person: Name
    kind: Literal["probe", "ice_point", "signed", "checked", "help", "helped"] = "probe"
    probe_c: ProbeC | None = None
    surface_c: ProbeC | None = None
    """What the probe showed on the surface of the food; goes with `probe_c` in its core."""
    channel: Literal["cabinet", "product"] = "cabinet"
    note: Words | None = None


class Correction(Wire):
    """An earlier line was wrong: what it should have read, or, without a reading, that it is taken back."""

    unit: UnitId
    person: Name
    line: Annotated[int, Field(ge=1, le=2**62)]
    """Number of the statement."""
    reading_c: ProbeC | None = None
    reason: Words


class BatchLoaded(BatchNew):
    """A batch that a named person put into a cabinet."""

    person: Name
    happened: AwareDatetime | None = None
    """When that was, if not just now: up to 72 h ago."""

    @property
    def new(self) -> BatchNew:
        """What was put in."""
        return BatchNew.model_validate(self.model_dump(exclude={"person", "happened"}))


class StateSaid(Wire):
    """What a named person says a unit is used for from now on."""

    person: Name
    state: UnitState


class CommandAsked(Wire):
    """A question or order to a unit; none of them changes its set point or cut-out."""

    unit: UnitId
    person: Name
    command: Literal["status", "backfill", "set", "reboot", "update"]
    arguments: dict[str, int | str] = Field(default_factory=dict)


class Noted(Wire):
    """What was said has been written down; verdicts follow at the next assessment."""

    unit: str
    noted_ms: int


class PartHealth(Wire):
    """One process or database: when it last showed life."""

    name: str
    state: Literal["running", "silent"]
    beat_ms: int
    age_s: float


class Trouble(Wire):
    """Something the box itself cannot do, and what to do about it."""

    part: str
    down: bool
    """Whether what it is for stands still."""
    words: str
    advice: str


class Health(Wire):
    """Whether the parts of the house are alive."""

    status: Literal["ok", "degraded"]
    parts: tuple[PartHealth, ...]
    troubles: tuple[Trouble, ...]
    disk_free_mb: int
    units: int
    waiting: int
    quarantined: int
