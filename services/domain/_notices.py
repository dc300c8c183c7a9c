"""Notices: what needs a person, from the moment it is told to the moment it is over.

States follow the published alarm standards (IEC 62682 and ANSI/ISA-18.2-2016 from memory; OPC UA Part 9
v1.05 for shelving and latching): what stands and nobody has seen is new; acknowledged means seen, not
put right; returned means it passed by itself and nobody has seen it; shelved has an end and a reason.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, Field, StringConstraints, model_validator

from services.domain._batch import Line
from services.domain._frozen import Frozen
from services.domain._reasoned import Instant

NoticeKind = Literal[
    "food_at_risk",
    "hold",
    "silence",
    "cut_out",
    "battery_short",
    "sensor_doubt",
    "service_due",
    "system_trouble",
]
NoticeState = Literal["new", "acknowledged", "returned", "shelved", "out_of_service"]
NoticePriority = Literal["high", "medium", "low"]
Consequence = Literal[
    "food_undecided", "food_warms", "unit_stops", "engine_fails", "not_known", "wears", "nothing_told"
]
"""What comes of it if nobody acts."""
NoticeTask = Literal[
    "probe_and_decide",
    "discard",
    "quarantine",
    "say_empty",
    "save_food",
    "look_and_probe",
    "wait_and_probe",
    "find_cause",
    "charge",
    "check_sensor",
    "plan_work",
    "see_box",
    "see_list",
]
"""What to do."""
NoticeRole = Literal["manager", "cook", "workshop", "administrator"]
"""Who is asked first."""
FromData = Literal["raised", "again", "worse", "recurs", "still", "returned", "folded", "shelf_ended"]
"""What the monitor writes of a notice."""
ByPerson = Literal["acknowledged", "shelved", "out_of_service", "back"]
"""What a named person writes of it."""
NoticeLineKind = Literal[
    "raised",
    "again",
    "worse",
    "recurs",
    "still",
    "returned",
    "folded",
    "shelf_ended",
    "acknowledged",
    "shelved",
    "out_of_service",
    "back",
]

BEGINS: frozenset[NoticeLineKind] = frozenset({"raised", "again", "recurs", "still"})
"""Lines from which on a notice stands; ``still``: what somebody decided about goes on, and asks nobody."""
LATCHED: frozenset[NoticeKind] = frozenset({"hold", "food_at_risk"})
"""Never put aside: only a decision about the food, or cold, ends these."""
FOUND_LATE = "(found in late data)"
"""What the reason of a verdict ends with that readings led to which came late."""
DECIDED = "decided"
"""Why a notice passed that a named person's signature ended: nobody needs to have seen that it did."""
PRIORITIES: tuple[NoticePriority, ...] = ("low", "medium", "high")
"""Least first."""


class Told(Frozen):
    """What there is to tell of one cause at one moment."""

    cause_key: str
    """Names the cause: what has the same key is the same trouble."""
    kind: NoticeKind
    priority: NoticePriority
    unit: str | None = None
    site: str | None = None
    bank: str | None = None
    """With no unit, site and bank it is the house itself."""
    since: Instant
    cause: str
    """What was seen."""
    consequence: Consequence
    act_by: Instant | None = None
    """By when somebody must have acted; None: nothing sets a time, act as the priority says."""
    what_to_do: NoticeTask
    who: NoticeRole
    folded: tuple[str, ...] = ()
    """Keys of troubles that have the same cause."""
    units: tuple[str, ...] = ()
    """Every unit it is about."""
    late: bool = False
    """Whether readings that came late led to it."""

    @property
    def latched(self) -> bool:
        """Whether food hangs on it, so that nobody may put it aside."""
        return self.kind in LATCHED or self.consequence == "food_undecided"

    @property
    def rank(self) -> int:
        """How urgent it is, 0 for the least."""
        return PRIORITIES.index(self.priority)

    @property
    def level(self) -> int:
        """How far it went: what has stopped, or must be thrown away, is worse than what only may be."""
        return self.rank + len(PRIORITIES) * (self.kind == "cut_out" or self.what_to_do == "discard")


@dataclass(frozen=True, slots=True)
class NoticeChange:
    """Something becomes of a cause."""

    kind: FromData
    cause_key: str
    told: Told | None = None
    """What there is to tell from now on; None where nothing more is told."""
    why: str = ""
    kept_back: bool = False
    """Whether it is told in a flood: counted, and not announced by itself."""


class NoticeLine(Frozen):
    """One change of a notice: never changed, never removed."""

    id: int
    at: Instant
    kind: NoticeLineKind
    who: str = ""
    """Empty of what the readings did."""
    why: str = ""
    until: Instant | None = None
    """End of a shelving."""
    said: Instant | None = None
    """When it was said, where a phone kept it until it could be sent."""
    priority: NoticePriority | None = None
    """Of what was told; None of what a person said."""
    level: int = 0
    kept_back: bool = False
    """Whether it was told in a flood: counted, and not announced by itself."""
    signed: str | None = None


@dataclass(frozen=True, slots=True)
class NoticeMove:
    """One line of any notice, with what counts of the notice."""

    notice: int
    cause_key: str
    kind: NoticeKind
    site: str | None
    who: NoticeRole
    units: tuple[str, ...]
    at: int
    """[ms]"""
    move: NoticeLineKind
    priority: NoticePriority | None
    kept_back: bool


class NoticeSaid(Frozen):
    """What a named person says of a notice."""

    person: Line
    kind: ByPerson
    reason: Annotated[str, StringConstraints(max_length=500, strip_whitespace=True)] = ""
    until: AwareDatetime | None = None

    @model_validator(mode="after")
    def _complete(self) -> "NoticeSaid":
        if self.kind in {"shelved", "out_of_service"} and not self.reason:
            raise ValueError("say why it is put aside")
        if (self.until is None) == (self.kind == "shelved"):
            raise ValueError("a shelving has an end, and nothing else has")
        return self


class Notice(Told):
    """One trouble with everything that became of it."""

    id: int
    state: NoticeState
    active: bool
    """Whether the cause is there, put aside or not."""
    ended: Instant | None
    """When it was over and seen, or became part of another; None while it needs somebody."""
    told: Instant
    """When it was first told."""
    taken_by: str | None
    """Who acknowledged it last; None while nobody has."""
    shelved_until: Instant | None
    """End of the shelving; past, the next look says so."""
    returns: tuple[Instant, ...]
    """When it passed, each time."""
    recurs: bool
    """Whether it keeps coming back: told once, and over only after an hour of quiet."""
    kept_back: bool
    lines: tuple[NoticeLine, ...] = Field(exclude=True)
    """Handed out by itself, for it grows."""


class _Life:
    """A notice while its lines are gone through; lines of the monitor and of people come in any order."""

    def __init__(self) -> None:
        self.active = False
        self.seen = False
        self.aside = False
        self.recurs = False
        self.kept_back = False
        self.until_ms: int | None = None
        self.taken_by: str | None = None
        self.ended_ms: int | None = None
        self.returns: list[int] = []

    def take(self, line: NoticeLine) -> None:
        """Go on by one line."""
        if line.kind in {"acknowledged", "shelved", "out_of_service", "back"}:
            self._said(line)
        else:
            self._became(line)
        over = not self.active and self.seen and not self.aside
        self.ended_ms = (line.at if self.ended_ms is None else self.ended_ms) if over else None

    def _became(self, line: NoticeLine) -> None:
        match line.kind:
            case "raised" | "again" | "recurs":
                self.active, self.kept_back = True, line.kept_back
                self.recurs = line.kind == "recurs"
                self.seen = self.until_ms is not None and line.at < self.until_ms
            case "still":
                self.active, self.seen, self.recurs, self.kept_back = True, True, False, False
            case "worse":
                self.active, self.seen, self.kept_back, self.until_ms = True, False, False, None
            case "returned":
                self.active, self.recurs = False, False
                self.seen = self.seen or line.why == DECIDED
                self.returns.append(line.at)
            case "folded":
                self.active, self.seen, self.aside, self.until_ms = False, True, False, None
            case "shelf_ended":
                self.until_ms, self.seen = None, not self.active
            case _:
                raise ValueError(f"{line.kind} is a person's word")

    def _said(self, line: NoticeLine) -> None:
        match line.kind:
            case "shelved":
                self.until_ms = line.until
            case "out_of_service":
                self.aside, self.until_ms = True, None
            case "back":
                self.aside, self.until_ms = False, None
            case _:
                pass
        self.seen = line.kind != "back" or not self.active
        self.taken_by = self.taken_by if line.kind == "back" else line.who

    def state(self, now_ms: int) -> NoticeState:
        """Return the state at a moment: a shelf that has ended holds nothing back."""
        if self.aside:
            return "out_of_service"
        if not self.active:
            return "returned"
        if self.until_ms is not None:
            return "shelved" if now_ms < self.until_ms else "new"
        return "acknowledged" if self.seen else "new"


def notice_of(number: int, told: Told, lines: Sequence[NoticeLine], *, now_ms: int) -> Notice:
    """Return a notice as its lines leave it at a moment."""
    life = _Life()
    for line in lines:
        life.take(line)
    fields: dict[str, Any] = {name: getattr(told, name) for name in Told.model_fields}
    state = life.state(now_ms)
    return Notice(
        **fields,
        id=number,
        state=state,
        active=life.active,
        ended=life.ended_ms,
        told=lines[0].at,
        taken_by=life.taken_by if life.seen and state != "new" else None,
        shelved_until=life.until_ms,
        returns=tuple(life.returns),
        recurs=life.recurs,
        kept_back=life.kept_back,
        lines=tuple(lines),
    )


def why_not(notice: Notice, kind: ByPerson) -> str | None:
    """Return why a person may not say something of a notice now, None where nothing is in the way."""
    if notice.ended is not None:
        return "This notice is over."
    if kind in {"shelved", "out_of_service"} and notice.latched:
        return "What food hangs on is not put aside: decide about the food, and it goes."
    if kind == "shelved" and not notice.active:
        return "It has passed already: acknowledge it."
    if kind == "back" and notice.state not in {"shelved", "out_of_service"}:
        return "It was not put aside."
    return None


_ORDER: dict[NoticeState, int] = {
    "new": 0,
    "acknowledged": 0,
    "returned": 1,
    "shelved": 2,
    "out_of_service": 3,
}


def in_urgency(notices: Iterable[Notice]) -> list[Notice]:
    """Return notices, the most urgent of those that stand first; among equals what nobody has taken."""
    return sorted(
        notices,
        key=lambda n: (
            _ORDER[n.state],
            -n.rank,
            n.state != "new",
            float("inf") if n.act_by is None else n.act_by,
            n.since,
            n.id,
        ),
    )
