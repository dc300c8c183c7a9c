"""What the records hand out: statements, changes of verdict, episodes, commands, and results to keep."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from services.domain import (
    Analysis,
    BatchCard,
    CoreReading,
    Life,
    PhoneTimes,
    SensorCheck,
    UnitCard,
    Verdict,
)

Disposition = Literal["kept", "cooked_at_once", "refrozen", "moved", "discarded"]
"""What happened to the food of a hold."""

DISPOSITIONS: tuple[Disposition, ...] = ("kept", "cooked_at_once", "refrozen", "moved", "discarded")

StatementKind = Literal[
    "unit_state", "emptied", "release", "probe", "note", "ice_point", "signed", "help", "helped", "checked",
    "corrected",
]  # fmt: skip

SaidThere = Literal["checked", "help", "helped"]
"""A check of the cabinet itself, not of its record; a call for help; the answer to one."""

Signed = Literal["account", "device", "machine", "link"]
"""How a person proved who he is: by logging in; by being at an enrolled device; a machine proves nothing; by
a link that was sent to an address of theirs.

What was signed at a device is handed out as ``pin`` once the person named showed the PIN.
"""

Origin = Literal["live", "late", "person"]
"""What moved a verdict: data as it came, data that came late, or a named person."""


@dataclass(frozen=True, slots=True)
class Statement:
    """Who said what of a unit, and when."""

    id: int
    unit: str
    t_ms: int
    who: str
    kind: StatementKind
    body: Mapping[str, Any]
    signed: str | None = None
    """``account``: by a person who had logged in; ``pin``: by a name whose PIN was shown; else chosen."""
    phone: PhoneTimes | None = None
    """Both clocks of what was kept on a phone until it could be sent."""


@dataclass(frozen=True, slots=True)
class Standing:
    """The verdict that stands until a named person lowers it."""

    verdict: Verdict
    since_ms: int | None
    why: str


@dataclass(frozen=True, slots=True)
class Context:
    """What people said of a unit and what was made of it so far: all a new assessment builds on."""

    statement_no: int
    """Newest statement about the unit; a result is only kept while this still is the newest."""
    clock_from_ms: int | None
    """When the unit was last said to hold nothing."""
    release: Statement | None
    """The last sign-off."""
    standing: Standing | None
    """None before the first assessment."""
    assessed_ms: int | None
    checks: tuple[SensorCheck, ...] = ()
    """Checks of its sensors in melting ice, oldest first."""
    probe: CoreReading | None = None
    """The newest reading a person took in food in it."""


@dataclass(frozen=True, slots=True)
class BatchResult:
    """One judgement of a batch to keep."""

    card: BatchCard
    event_no: int
    """Newest event of its life; the result is only kept while this still is the newest."""


@dataclass(frozen=True, slots=True)
class BatchContext:
    """A batch and what was made of it so far: all a new judgement builds on."""

    life: Life
    standing: Standing | None


@dataclass(frozen=True, slots=True)
class Taught:
    """What a bank's days taught until the start of a UTC day."""

    bank: str
    day_ms: int
    value: str
    """JSON that only the analyses read."""


@dataclass(frozen=True, slots=True)
class Result:
    """One assessment to keep."""

    card: UnitCard
    analysis: Analysis
    statement_no: int
    origin: Origin = "live"
    past: tuple[Analysis, ...] = ()
    """Earlier moments that were judged with it, in order of time: only their episodes are kept."""
    own_clock: Standing | None = None
    """What stands of the unit's own clock, where its card also tells of the batches in it."""
    batches: tuple[BatchResult, ...] = ()
    """The batches that were judged with it."""
    taught: tuple[Taught, ...] = ()
    """What its bank's days taught anew."""
    goes_on_from: Analysis | None = None
    """The analysis in full that this one goes on from, where only what live samples move was judged."""

    @property
    def carried(self) -> bool:
        """Whether episodes, forecasts and what was taught are those of an earlier analysis."""
        return self.goes_on_from is not None

    @property
    def own(self) -> Standing:
        """What stands of the unit's own clock."""
        if self.own_clock is not None:
            return self.own_clock
        return Standing(self.card.standing, self.card.standing_since, self.card.standing_why)


@dataclass(frozen=True, slots=True)
class VerdictChange:
    """One change of a computed or standing verdict."""

    no: int
    unit: str
    t_ms: int
    recorded_ms: int
    computed: Verdict
    standing: Verdict
    standing_before: Verdict | None
    origin: Origin
    why: str


@dataclass(frozen=True, slots=True)
class KeptEpisode:
    """One stretch above one limit, as it is known now."""

    unit: str
    rule: str
    limit_c: float
    basis: str
    start_ms: int
    end_ms: int
    peak_c: float
    mean_c: float
    withdrawn_ms: int | None
    """When late data showed that it was otherwise."""


@dataclass(frozen=True, slots=True)
class QueuedCommand:
    """A command for a unit that ingest publishes."""

    id: int
    unit: str
    name: str
    arguments: Mapping[str, Any]
    who: str
    queued_ms: int
    expires_ms: int
    correlation: bytes
