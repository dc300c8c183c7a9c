"""What earlier days taught about a bank, frozen at the start of a UTC day."""

import json
from dataclasses import asdict, dataclass

import numpy as np

from services.analytics.power.ekf import SIZE, Estimate
from services.domain import UnitSettings
from services.timebase import ms_of

VERSION = 1


@dataclass(frozen=True, slots=True)
class Learned:
    """The state of the charge filter at the start of a day; the next day's samples carry on from it.

    Everything in it comes from samples before `day_ms`, so an answer that starts here counts nothing
    twice, and late data is taken in by starting again from the newest one at or before it.
    """

    day_ms: int
    """Start of the UTC day. [ms]"""
    bank: str
    """Chemistry, label and voltage it was learned for: another bank starts afresh."""
    mean: tuple[float, ...]
    """Charge; logarithm of the usable capacity [Ah]; of the charging rate [1/h]; curve error at its knots."""
    cov: tuple[tuple[float, ...], ...]
    tilt: float
    """How much lower the available charge stands than all charge, from the load before. [share]"""
    since_top: float | None
    """Counted charge since it may last have been full, as a share of capacity; None: nothing bounds it."""
    charging: bool
    """Whether charging was under way."""
    weekly: tuple[tuple[int, float], ...] = ()
    """Capacity at the end of past weeks. [ms], [Ah]"""

    def to_json(self) -> str:
        """Return it as text for keeping."""
        return json.dumps({"v": VERSION, **asdict(self)}, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str) -> "Learned | None":
        """Return what was kept; None where it was kept in a form no longer read, or is not sound."""
        try:
            plain = json.loads(text)
            if plain.pop("v", None) != VERSION:
                return None
            plain["mean"] = tuple(plain["mean"])
            plain["cov"] = tuple(tuple(row) for row in plain["cov"])
            plain["weekly"] = tuple((int(t), float(ah)) for t, ah in plain["weekly"])
            found = cls(**plain)
        except (AttributeError, KeyError, TypeError, ValueError):
            return None
        return found if found.sound else None

    @property
    def sound(self) -> bool:
        """Whether the filter can start from it."""
        mean, cov = np.array(self.mean, dtype=np.float64), np.array(self.cov, dtype=np.float64)
        shaped = mean.shape == (SIZE,) and cov.shape == (SIZE, SIZE)
        return shaped and bool(np.all(np.isfinite(mean)) and np.all(np.isfinite(cov)))

    def estimate(self, log_capacity: float) -> Estimate:
        """Return the filter's state against a capacity believed now."""
        mean = np.array(self.mean)
        mean[1] = log_capacity - mean[1]
        return Estimate(mean, np.array(self.cov))


def bank_key(settings: UnitSettings) -> str:
    """Return what makes a bank another bank."""
    bank = settings.bank
    if bank is None:
        return ""
    return f"{bank.id} {bank.chemistry} {bank.capacity_ah:g} Ah {bank.nominal_v} V {bank.installed}"


def came_ms(settings: UnitSettings) -> int | None:
    """Return when the unit came to its bank, where its file gives it [ms]."""
    since = settings.unit.supply.since
    return None if since is None or not settings.has_battery else ms_of(since)


def on_bank_since(settings: UnitSettings, known_ms: int | None) -> tuple[int, ...]:
    """Return since when the unit is on its bank, as its file and as others know it, where they do [ms]."""
    return tuple(at_ms for at_ms in (known_ms, came_ms(settings)) if at_ms is not None)


def usable(learned: Learned | None, settings: UnitSettings) -> Learned | None:
    """Return what was learned where it was learned of this bank, by this unit on it, else None."""
    if learned is None or learned.bank != bank_key(settings):
        return None
    came = came_ms(settings)
    return learned if came is None or learned.day_ms >= came else None
