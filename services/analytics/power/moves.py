"""What would move the run-out, and by how much; nothing here may hurt."""

from collections.abc import Sequence
from dataclasses import dataclass

from services.analytics.power.load import HORIZON_H, Load
from services.analytics.power.runout import Reserve
from services.domain import Move, UnitSettings

CHARGE_MINUTES = 60
LONGEST_CHARGE_MINUTES = 240
CHARGE_STEP_MINUTES = 10
CHARGE_RATE_PER_H = 0.2
"""A charger of a fifth of the bank's capacity is assumed where nothing was learned (common practice)."""
LEAST_GAIN_H = 0.5
"""A smaller gain is not worth telling (judgement)."""
NEVER_WARMER = frozenset({"poultry", "fish", "frozen_fish", "medicine", "unknown"})
"""Classes for which raising the set point is never advised."""
SENSOR_ERROR_K = 1.0
HALF_DIFFERENTIAL_K = 1.0
WARMER_K = 1.0
TAPER_SHARE = 0.63
"""Of what is missing no more goes in within such a time."""

CHARGE_WORDS = (
    "from mains, a generator or the engine, in the open air: exhaust gas kills; "
    "night driving may be forbidden"
)
TAKES_NO_MORE_WORDS = "then it takes hardly any more and still does not last: move the food, see to the bank"
NOT_ENOUGH_WORDS = "not enough alone: leave it charging, or move the food"
SET_POINT_WORDS = "put it back when the bank has been charged"
MERGE_WORDS = "one cabinet fewer to feed: raw below cooked, medicine with nothing"
SHARE_WORDS = (
    "only banks of one chemistry, voltage and age, isolated first and level with each other, "
    "a fuse at each; work for somebody trained"
)
RAW = frozenset({"poultry", "fish", "offal", "mince", "red_meat", "game"})
READY = frozenset({"cooked", "milk", "other_chilled"})
KG_PER_L = 0.35
"""A cabinet is full at about this load (judgement, no source)."""


@dataclass(frozen=True)
class Outlook:
    """What the moves are worked out from."""

    reserve: Reserve
    load: Load
    settings: UnitSettings
    capacity_ah: float
    missing_ah: float
    """Until full."""
    coulombic_share: float
    charge_a: float | None
    """What charging was learned to bring; None: a fifth of the capacity in an hour."""
    target_h: float
    """Until when it should last: dawn, or the next usual charging. [h]"""
    food_limit_c: float
    food_c: float | None
    ambient_c: float
    other_a: float
    """Drawn by everything but this unit."""


def moves(outlook: Outlook) -> tuple[Move, ...]:
    """Return what a person could do, with its gain on the P10.

    Charging is told in the minutes that carry the P10 to the next dawn or usual charging, an hour where it
    lasts so long already; never more than is missing less its taper, and where that is not enough, its words
    say so. The set point is only offered where no class of food forbids it and the food stays under its limit
    less the sensor's error.
    """
    if outlook.load.mean_a <= 0:
        return ()
    found = []
    charge = _charge(outlook)
    if charge is not None:
        found.append(charge)
    if may_warm(outlook.settings, food_limit_c=outlook.food_limit_c, food_c=outlook.food_c):
        gain = _warmer_gain_h(outlook)
        found.append(
            Move(action="set_point", amount=WARMER_K, unit="K", gain_hours=gain, words=SET_POINT_WORDS)
        )
    return tuple(move for move in found if move.gain_hours > 0)


def _put_in_ah(outlook: Outlook, minutes: float) -> float:
    rate = CHARGE_RATE_PER_H * outlook.capacity_ah if outlook.charge_a is None else outlook.charge_a
    return min(rate * outlook.coulombic_share * minutes / 60.0, TAPER_SHARE * outlook.missing_ah)


def _gain_h(outlook: Outlook, ah: float) -> float:
    """Return by how much charge moves the P10 [h]."""
    early = outlook.reserve.ah_at(0.1)
    hours = [min(float(HORIZON_H), outlook.load.hours_for(one)) for one in (early, early + ah)]
    return hours[1] - hours[0]


def _charge(outlook: Outlook) -> Move | None:
    """Return how long to charge: to the moment it should last to, or as long as the bank takes more."""
    early = min(float(HORIZON_H), outlook.load.hours_for(outlook.reserve.ah_at(0.1)))
    if early >= outlook.target_h:
        return _charged(outlook, CHARGE_MINUTES, CHARGE_WORDS)
    most = TAPER_SHARE * outlook.missing_ah
    for minutes in range(CHARGE_STEP_MINUTES, LONGEST_CHARGE_MINUTES + 1, CHARGE_STEP_MINUTES):
        put_in = _put_in_ah(outlook, minutes)
        if early + _gain_h(outlook, put_in) >= outlook.target_h:
            return _charged(outlook, minutes, CHARGE_WORDS)
        if put_in >= most:
            return _charged(outlook, minutes, f"{TAKES_NO_MORE_WORDS}; {CHARGE_WORDS}")
    return _charged(outlook, LONGEST_CHARGE_MINUTES, f"{NOT_ENOUGH_WORDS}; {CHARGE_WORDS}")


def _charged(outlook: Outlook, minutes: int, words: str) -> Move | None:
    gain = _gain_h(outlook, _put_in_ah(outlook, minutes))
    if gain <= 0:
        return None
    return Move(action="charge", amount=float(minutes), unit="min", gain_hours=gain, words=words)


def may_warm(settings: UnitSettings, *, food_limit_c: float, food_c: float | None) -> bool:
    """Return whether the set point may be raised by 1 K."""
    if food_c is None or NEVER_WARMER & set(settings.classes):
        return False
    warmest = settings.set_point_c + WARMER_K + HALF_DIFFERENTIAL_K + SENSOR_ERROR_K
    return warmest < food_limit_c and food_c + SENSOR_ERROR_K < food_limit_c


def _warmer_gain_h(outlook: Outlook) -> float:
    """Return the hours gained by 1 K less to hold: the compressor's part of the load scales with it [h]."""
    lift = max(5.0, outlook.ambient_c - outlook.settings.set_point_c)
    mean_a = outlook.load.mean_a
    saved = max(0.0, mean_a - outlook.other_a) * WARMER_K / lift
    early = outlook.reserve.ah_at(0.1)
    return min(float(HORIZON_H), early / max(mean_a - saved, 1e-6)) - min(float(HORIZON_H), early / mean_a)


@dataclass(frozen=True)
class Beside:
    """Another unit that stands at the same place now."""

    settings: UnitSettings
    hours_p10: float | None
    """None: longer than the horizon, or not known (then `known` is False)."""
    known: bool
    cold: bool
    """Its standing is ok and it has not cut out."""


def moves_between(mine: Beside, others: Sequence[Beside]) -> tuple[Move, ...]:
    """Return what units at one place could do for each other: merge two half-empty ones, share a like bank.

    Parameters
    ----------
    mine : Beside
        The unit that will not last.
    others : sequence of Beside
        The others at its site.

    Returns
    -------
    tuple of Move
        The best of each kind, with the gain on the P10. Food is only merged into a cold cabinet of the same
        kind whose limit is no higher, never medicine, never raw with ready to eat; only as much as is
        declared to fit. Banks are only shared within one chemistry and voltage, never one that starts an
        engine.
    """
    if not mine.known or mine.hours_p10 is None:
        return ()
    found = []
    for other in others:
        if other.settings.unit.id == mine.settings.unit.id or not other.known:
            continue
        there = float(HORIZON_H) if other.hours_p10 is None else other.hours_p10
        if _may_merge(mine, other) and there - mine.hours_p10 > LEAST_GAIN_H:
            found.append(_between("merge", there - mine.hours_p10, other, MERGE_WORDS))
        if _may_share(mine, other) and there - mine.hours_p10 > 2.0 * LEAST_GAIN_H:
            found.append(_between("share", (there - mine.hours_p10) / 2.0, other, SHARE_WORDS))
    best: dict[str, Move] = {}
    for move in found:
        if move.action not in best or move.gain_hours > best[move.action].gain_hours:
            best[move.action] = move
    return tuple(best.values())


def _between(action: str, gain_hours: float, other: Beside, words: str) -> Move:
    return Move.model_validate(
        {
            "action": action,
            "amount": 1.0,
            "unit": other.settings.name,
            "gain_hours": gain_hours,
            "words": words,
        }
    )


def _may_merge(mine: Beside, other: Beside) -> bool:
    one, two = mine.settings, other.settings
    loads = (one.unit.food.load_kg, two.unit.food.load_kg)
    if not other.cold or one.unit.kind != two.unit.kind or two.unit.volume_l is None or None in loads:
        return False
    same_bank = one.bank is not None and two.bank is not None and one.bank.id == two.bank.id
    classes = set(one.classes) | set(two.classes)
    mixed = bool(classes & RAW) and bool(classes & READY)
    if same_bank or mixed or classes & {"medicine", "unknown"} or two.set_point_c > one.set_point_c + 1.0:
        return False
    total = sum(load for load in loads if load is not None)
    return total <= KG_PER_L * two.unit.volume_l


def _may_share(mine: Beside, other: Beside) -> bool:
    one, two = mine.settings.bank, other.settings.bank
    if one is None or two is None or one.id == two.id or one.starts_engine or two.starts_engine:
        return False
    return (one.chemistry, one.nominal_v) == (two.chemistry, two.nominal_v)
