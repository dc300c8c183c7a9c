"""How one trouble of one unit is told: key, priority and who."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from services.analytics.notices.kinds import priority_of
from services.domain import Consequence, Fleet, NoticeKind, NoticeRole, NoticeTask, Told, UnitCard

POWER = "power"
"""End of a key: a battery that runs down, or has run down, is one cause."""


@dataclass(frozen=True, slots=True)
class Look:
    """The moment of a look at the cards, and what was told before it, for dead bands."""

    now_ms: int
    standing: Collection[str]
    """Keys of causes that are told already."""
    banks: Mapping[str, str | None]
    tested: Collection[str] = ()
    """Units in a test that runs: what they do is meant."""
    emptied: Mapping[str, int] = field(default_factory=dict)
    """When somebody said that the food of a unit went, where it was warm ever since and none came [ms]."""

    def is_meant(self, card: UnitCard) -> bool:
        """Return whether a unit is quiet by design: not in use by somebody's word, or in a test."""
        return card.state != "in_use" or card.unit in self.tested

    def is_told(self, key: str) -> bool:
        """Return whether a cause is told already."""
        return key in self.standing


def bank_of(fleet: Fleet) -> dict[str, str | None]:
    """Return the bank each unit runs on."""
    return {unit.id: unit.supply.bank for unit in fleet.units}


@dataclass(frozen=True, slots=True)
class Said:
    """What is told of a unit besides the unit."""

    kind: NoticeKind
    consequence: Consequence
    task: NoticeTask
    who: NoticeRole
    since_ms: int
    cause: str
    act_ms: int | None = None
    presses_ms: int | None = None
    """From when on not knowing presses, where nothing sets a time to act by."""
    late: bool = False
    tail: str | None = None
    """The end of its key where that is not its kind."""


def told_of(card: UnitCard, said: Said, bank: str | None = None) -> Told:
    """Return what is told of a unit."""
    by_ms = said.presses_ms if said.act_ms is None else said.act_ms
    left_ms = None if by_ms is None else by_ms - card.as_of
    return Told(
        cause_key=f"unit:{card.unit}:{said.tail or said.kind}",
        kind=said.kind,
        priority=priority_of(said.consequence, left_ms),
        unit=card.unit,
        site=card.site,
        bank=bank,
        since=said.since_ms,
        cause=said.cause,
        consequence=said.consequence,
        act_by=said.act_ms,
        what_to_do=said.task,
        who=said.who,
        units=(card.unit,),
        late=said.late,
    )


def who_is_there(card: UnitCard) -> NoticeRole:
    """Return who is where a cabinet stands: a camp has a cook, a vehicle is somewhere else."""
    return "cook" if card.site_kind in {"camp", "lodge"} else "manager"
