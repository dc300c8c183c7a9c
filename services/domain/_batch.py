"""Food as people handle it: a batch with its own clocks, which follow it from cabinet to cabinet."""

from datetime import date
from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from services.domain._analysis import Evidence
from services.domain._answers import FoodAnswer, MarkMinutes
from services.domain._fleet import FoodClass, Identifier
from services.domain._frozen import Frozen
from services.domain._reasoned import Instant
from services.domain._spot import SpotCheck
from services.domain._verdict import Verdict

Line = Annotated[str, StringConstraints(min_length=1, max_length=80, strip_whitespace=True)]
Tag = Annotated[str, StringConstraints(max_length=80, strip_whitespace=True)]
FoodTemperatureC = Annotated[float, Field(ge=-60, le=120, allow_inf_nan=False)]
"""What a probe in food can show; beyond it is a slip of the pen (judgement, no source)."""

BatchPlace = Literal["stored", "out", "gone"]
"""In a cabinet; taken out to be served or worked on; eaten, given away or thrown away."""

BatchEnd = Literal["served", "cooked", "discarded"]

BatchEventKind = Literal[
    "loaded",
    "moved",
    "split",
    "probed",
    "frozen",
    "thawed",
    "opened",
    "taken_out",
    "put_back",
    "cooling_started",
    "served",
    "cooked",
    "discarded",
    "hold_closed",
    "corrected",
    "emptied",
]
"""``emptied``: a person said that the cabinet holds nothing any more, and nothing of this batch."""


class BatchNew(Frozen):
    """What a person says when food goes into a cabinet; everything but the first three may stay unsaid."""

    what: Line
    food_class: FoodClass
    unit: Identifier
    quantity: float | None = Field(default=None, gt=0, le=10_000)
    quantity_unit: Literal["kg", "l", "pieces"] = "kg"
    piece_kg: float | None = Field(default=None, gt=0, le=500)
    core_c: FoodTemperatureC | None = None
    """Core temperature when it was put in."""
    received_c: FoodTemperatureC | None = None
    """Core temperature when it came from the supplier."""
    use_by: date | None = None
    opened_on: date | None = None
    """Day it was opened or prepared: day 1 of a date mark."""
    ready_to_eat: bool = False
    vacuum_packed: bool = False
    supplier: Tag = ""
    lot: Tag = ""
    note: Tag = ""


class Batch(BatchNew):
    """A batch as it stands after everything that was said of it."""

    id: int
    place: BatchPlace
    unit: Identifier | None = None  # type: ignore[assignment]
    """Where it is stored, else where it was stored last; None when that cabinet was never said."""
    frozen: bool = False
    """Kept as frozen food now."""
    loaded_at: Instant
    loaded_by: str
    since: Instant
    """Since when it is where it is."""
    split_from: int | None = None
    carried_above_min: float = 0.0
    """Minutes above its limit that it brought along when its record begins here."""
    carried_unknown_min: float = 0.0
    carried_hot: bool = False
    """Whether the air around it was above 32.2 °C before its record begins."""
    end: BatchEnd | None = None


class PhoneTimes(Frozen):
    """Both clocks of a word that was kept on a phone until it could be sent."""

    said: Instant
    """When it was said, by the phone's clock."""
    sent: Instant
    """When it was sent, by the phone's clock."""
    received: Instant
    """When it came, by the service's clock."""
    ahead_ms: int
    """By how much the phone's clock was ahead of the service's, the way here included."""
    doubt: str = ""
    """Why nobody can tell when it truly was said; then it counts from when it came."""


class BatchEvent(Frozen):
    """Something a named person said of a batch; only ever added to."""

    id: int
    batch: int
    t: Instant
    """When it happened."""
    said: Instant
    """When it was written down."""
    who: str
    kind: BatchEventKind
    body: dict[str, str | float | int | bool | None]
    signed: str | None = None
    """``account``: by a person who had logged in; ``pin``: by a name whose PIN was shown; else by a name
    that was chosen, not verified."""
    phone: PhoneTimes | None = None


class BatchVerdict(Frozen):
    """One change of the verdict on a batch; only ever added to."""

    id: int
    batch: int
    t: Instant
    """The moment the verdict is about."""
    recorded: Instant
    computed: Verdict
    standing: Verdict
    standing_before: Verdict | None
    """None when it was judged for the first time."""
    origin: Literal["data", "person"]
    why: str


class BatchClock(Frozen):
    """Time above one limit over the whole life of a batch."""

    rule: str
    limit_c: float
    minutes_above: float
    minutes_unknown: float
    minutes_worst_case: float
    peak_c: float | None
    compliant: Literal["yes", "no", "unknown"] | None
    verdict: Verdict
    reasons: tuple[Evidence, ...]
    source: str
    why: str


class BatchTimer(Frozen):
    """A clock of elapsed time that a person started: standing out, cooling down, held by time alone."""

    kind: Literal["out", "cooling", "thawing", "time_control"]
    started: Instant
    next_at: Instant | None
    """When the next step of it is reached; None when there is none any more."""
    next_words: str
    """What has to be done or true by then."""
    verdict: Verdict
    source: str
    why: str


class BatchCard(Frozen):
    """One batch at a glance: what may be done with it, and why."""

    batch: Batch
    computed: Verdict
    computed_why: str
    standing: Verdict
    standing_since: Instant | None
    standing_why: str
    clocks: tuple[BatchClock, ...]
    timers: tuple[BatchTimer, ...]
    minutes_above: float
    minutes_unknown: float
    minutes_worst_case: float
    food_c: float | None
    """Warmest the core is thought to be now; None when nothing is known."""
    food_basis: Literal["probe", "modelled_food"] | None
    dates: Literal["none", "in_date", "last_day", "past"]
    last_day: date | None
    dates_why: str
    cook_to_c: float | None
    """Core temperature to reach when it is cooked; None for what is not cooked here."""
    cook_to_why: str
    use_first: float
    """Order of use, highest first; orders and explains, never releases."""
    use_first_why: str
    assumed: tuple[str, ...]
    warnings: tuple[str, ...] = ()
    """What to mind about it that changes no verdict."""
    spot: tuple[SpotCheck, ...] = ()
    """What each document says of the newest reading a person took in it."""
    answers: tuple[FoodAnswer, ...] = ()
    """What published texts say of it after it warmed or stood without power; the strictest first."""
    marks: tuple[MarkMinutes, ...] = ()
    """Of what was kept frozen: minutes above each mark since it was frozen through."""
    not_mended: tuple[str, ...] = ()
    """What stays in food of its class that stood too warm, however well it is cooked."""
    as_of: Instant
