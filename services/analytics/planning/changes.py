"""The smallest change of each kind that makes a bank hold."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from services.analytics.planning.draws import Days
from services.analytics.planning.run import Outcome, Rider, Supply, Variant, carry
from services.analytics.planning.scene import DUSK_HOUR, EVENING_HOUR, Scene, extra
from services.analytics.power.resistance import CONDUCTOR_OHM_PER_KM
from services.domain.plan import HOLDS_FROM, Change, ChangeKind
from services.telemetry import FloatArray

BANK_SHARES = (0.1, 0.2, 0.3, 0.4, 0.5, 0.75, 1.0, 1.5, 2.0)
"""Added to the label, rounded up to 5 Ah."""
PANELS_WP = (50.0, 100.0, 150.0, 200.0, 300.0, 400.0, 600.0)
MINUTES = (15.0, 30.0, 45.0, 60.0, 90.0, 120.0, 180.0, 240.0)
"""A day, of driving or of charging."""
WARMER_BY_K = 0.5
"""Food counts as warm this far above its limit: the model is no closer (judgement)."""


@dataclass(frozen=True)
class Tried:
    """One variant with its words."""

    kind: ChangeKind
    amount: float
    unit: str
    variant: Variant


def chances(outcome: Outcome, riders: Sequence[Rider]) -> FloatArray:
    """Return for each variant the share of trips without a cut-out and with all food cold."""
    cold = [
        ride.warmest_c <= rider.limit_c + WARMER_BY_K
        for ride, rider in zip(outcome.rides, riders, strict=True)
    ]
    return np.asarray(np.mean(np.all(cold, axis=0) * outcome.ran_through(), axis=1), dtype=np.float64)


def candidates(scene: Scene, riders: Sequence[Rider], supply: Supply, *, sunny: bool) -> list[Tried]:
    """Return everything that is tried for a bank, each kind from small to large."""
    found = [Tried("bank", more, "Ah", Variant(more_ah=more)) for more in _steps_of(supply.bank.capacity_ah)]
    thinnest = min(rider.section_mm2 for rider in riders)
    found += [
        Tried("cable", mm2, "mm²", Variant(section_mm2=mm2))
        for mm2 in sorted(CONDUCTOR_OHM_PER_KM)
        if mm2 > thinnest
    ]
    if sunny:
        found += [Tried("panel", wp, "Wp", Variant(more_wp=wp)) for wp in PANELS_WP]
    if supply.bank.drive_a > 0:
        for m in MINUTES:
            more = extra(scene, scene.driving, minutes=m, until_hour=DUSK_HOUR)
            found.append(Tried("drive", m, "min a day", Variant(drive=more)))
    if supply.bank.charger_a > 0:
        taken = np.maximum(scene.driving, scene.plugged)
        for m in MINUTES:
            more = extra(scene, taken, minutes=m, until_hour=EVENING_HOUR)
            found.append(Tried("charge", m, "min a day", Variant(charge=more)))
    if any(rider.loads for rider in riders):
        kg = sum(load.kg for r in riders for load in r.loads)
        found.append(Tried("load_cold", kg, "kg", Variant(load_cold=True)))
    return found


def _steps_of(label_ah: float) -> list[float]:
    steps = [5.0 * np.ceil(share * label_ah / 5.0) for share in BANK_SHARES]
    return [float(step) for step in dict.fromkeys(steps)]


def smallest(
    scene: Scene, days: Days, riders: Sequence[Rider], supply: Supply, *, sunny: bool
) -> tuple[Change, ...]:
    """Return for each kind the smallest change that holds, or the best tried that does not.

    Every variant meets the same drawn trips, so that a change is told from luck.
    """
    tried = candidates(scene, riders, supply, sunny=sunny)
    if not tried:
        return ()
    chance = chances(carry(scene, days, riders, supply, [t.variant for t in tried]), riders)
    found = []
    for kind in dict.fromkeys(t.kind for t in tried):
        own = [i for i, t in enumerate(tried) if t.kind == kind]
        enough = [i for i in own if chance[i] >= HOLDS_FROM]
        at = enough[0] if enough else max(own, key=lambda i: (chance[i], -tried[i].amount))
        found.append(
            Change(
                bank=supply.bank.id,
                kind=kind,
                amount=tried[at].amount,
                unit=tried[at].unit,
                chance=float(chance[at]),
                enough=bool(enough),
            )
        )
    return tuple(sorted(found, key=lambda change: (not change.enough, -change.chance)))
