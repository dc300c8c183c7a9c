"""The smallest change of each kind that makes a bank hold; two together where none alone does."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from services.analytics.planning.draws import Days
from services.analytics.planning.run import Outcome, Rider, Supply, Variant, carry
from services.analytics.planning.scene import DUSK_HOUR, EVENING_HOUR, Scene, extra
from services.analytics.power.resistance import CONDUCTOR_OHM_PER_KM
from services.domain.plan import HOLDS_FROM, Change, ChangeKind, Step
from services.telemetry import FloatArray

BANK_SHARES = (0.1, 0.2, 0.3, 0.4, 0.5, 0.75, 1.0, 1.5, 2.0)
"""Added to the label, rounded up to 5 Ah."""
PANELS_WP = (50.0, 100.0, 150.0, 200.0, 300.0, 400.0, 600.0)
MINUTES = (15.0, 30.0, 45.0, 60.0, 90.0, 120.0, 180.0, 240.0)
"""A day, of driving or of charging."""
PAIRS: tuple[tuple[ChangeKind, ChangeKind], ...] = (
    ("load_cold", "bank"),
    ("load_cold", "drive"),
    ("load_cold", "charge"),
    ("load_cold", "panel"),
    ("bank", "drive"),
    ("bank", "charge"),
    ("bank", "panel"),
    ("drive", "panel"),
)
WARMER_BY_K = 0.5
"""Food counts as warm this far above its limit: the model is no closer (judgement)."""


@dataclass(frozen=True)
class Tried:
    """One variant with its words; `size` is its place on the ladder of its kind."""

    steps: tuple[Step, ...]
    variant: Variant
    size: int

    @property
    def kinds(self) -> tuple[ChangeKind, ...]:
        """What is changed."""
        return tuple(step.kind for step in self.steps)


def chances(outcome: Outcome, riders: Sequence[Rider]) -> FloatArray:
    """Return for each variant the share of trips without a cut-out and with all food cold."""
    cold = [
        ride.warmest_c <= rider.limit_c + WARMER_BY_K
        for ride, rider in zip(outcome.rides, riders, strict=True)
    ]
    return np.asarray(np.mean(np.all(cold, axis=0) * outcome.ran_through(), axis=1), dtype=np.float64)


def singles(scene: Scene, riders: Sequence[Rider], supply: Supply, *, sunny: bool) -> list[Tried]:
    """Return every single change that is tried for a bank, each kind from small to large."""
    label_ah = supply.bank.capacity_ah
    more_ah = dict.fromkeys(5.0 * math.ceil(share * label_ah / 5.0) for share in BANK_SHARES)
    found = [_one("bank", more, "Ah", Variant(more_ah=more)) for more in more_ah]
    thinnest = min(rider.section_mm2 for rider in riders)
    sections = [mm2 for mm2 in sorted(CONDUCTOR_OHM_PER_KM) if mm2 > thinnest]
    found += [_one("cable", mm2, "mm²", Variant(section_mm2=mm2)) for mm2 in sections]
    if sunny:
        found += [_one("panel", wp, "Wp", Variant(more_wp=wp)) for wp in PANELS_WP]
    if supply.bank.drive_a > 0:
        for m in MINUTES:
            more = extra(scene, scene.driving, minutes=m, until_hour=DUSK_HOUR)
            found.append(_one("drive", m, "min a day", Variant(drive=more)))
    if supply.bank.charger_a > 0:
        taken = np.maximum(scene.driving, scene.plugged)
        for m in MINUTES:
            more = extra(scene, taken, minutes=m, until_hour=EVENING_HOUR)
            found.append(_one("charge", m, "min a day", Variant(charge=more)))
    if any(rider.loads for rider in riders):
        kg = sum(load.kg for rider in riders for load in rider.loads)
        found.append(_one("load_cold", kg, "kg", Variant(load_cold=True)))
    return _numbered(found)


def _one(kind: ChangeKind, amount: float, unit: str, variant: Variant) -> Tried:
    return Tried((Step(kind=kind, amount=amount, unit=unit),), variant, 0)


def _numbered(tried: Sequence[Tried]) -> list[Tried]:
    """Return the same with their places on the ladder of their kind."""
    seen: dict[tuple[ChangeKind, ...], int] = {}
    found = []
    for one in tried:
        seen[one.kinds] = seen.get(one.kinds, -1) + 1
        found.append(replace(one, size=seen[one.kinds]))
    return found


def pairs(tried: Sequence[Tried]) -> list[Tried]:
    """Return two changes together, from every second rung of their ladders."""
    ladders: dict[ChangeKind, list[Tried]] = {}
    for one in tried:
        ladders.setdefault(one.kinds[0], []).append(one)
    found = []
    for first, second in PAIRS:
        for a in ladders.get(first, [])[1::2] if first != "load_cold" else ladders.get(first, []):
            found += [_both(a, b) for b in ladders.get(second, [])[1::2]]
    return found


def _both(a: Tried, b: Tried) -> Tried:
    x, y = a.variant, b.variant
    return Tried(
        (*a.steps, *b.steps),
        Variant(
            more_ah=x.more_ah + y.more_ah,
            section_mm2=max(x.section_mm2, y.section_mm2),
            more_wp=x.more_wp + y.more_wp,
            drive=y.drive if x.drive is None else x.drive,
            charge=y.charge if x.charge is None else x.charge,
            load_cold=x.load_cold or y.load_cold,
        ),
        a.size + b.size,
    )


def smallest(
    scene: Scene, days: Days, riders: Sequence[Rider], supply: Supply, *, sunny: bool
) -> tuple[Change, ...]:
    """Return for each kind the smallest change that holds, or the best tried that does not.

    Every variant meets the same drawn trips, so that a change is told from luck. Two changes together are
    tried only where none alone is enough.
    """

    def best(tried: Sequence[Tried]) -> list[Change]:
        chance = chances(carry(scene, days, riders, supply, [t.variant for t in tried]), riders)
        return _best_of_each(supply.bank.id, tried, chance)

    alone = singles(scene, riders, supply, sunny=sunny)
    found = best(alone)
    if not any(change.enough for change in found):
        together = pairs(alone)
        found += [change for change in (best(together) if together else []) if change.enough]
    return tuple(sorted(found, key=lambda change: (not change.enough, -change.chance)))


def _best_of_each(bank: str, tried: Sequence[Tried], chance: FloatArray) -> list[Change]:
    found = []
    for kinds in dict.fromkeys(t.kinds for t in tried):
        own = [i for i, t in enumerate(tried) if t.kinds == kinds]
        enough = [i for i in own if chance[i] >= HOLDS_FROM]
        if enough:
            at = min(enough, key=lambda i: tried[i].size)
        else:
            at = max(own, key=lambda i: (float(chance[i]), tried[i].size))
        found.append(Change(bank=bank, steps=tried[at].steps, chance=float(chance[at]), enough=bool(enough)))
    return found
