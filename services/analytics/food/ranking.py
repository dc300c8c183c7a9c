"""Which batch to use first: an order and its reason, which never releases anything.

The score says how much of its time food has used up. It looks at no verdict, and no verdict looks at it.
"""

from dataclasses import dataclass

import numpy as np

from services.analytics.food.growth import LISTERIA_HAM, growth
from services.analytics.food.hazard_index import BANDS_SOURCE, WARM_C, raw_fish, worst_index
from services.analytics.food.spoilage import FRESH, days_at_zero
from services.domain import FoodClass
from services.telemetry import FloatArray, IntArray
from services.timebase import HOUR_MS

REFERENCE_C = 40.0 / 1.8 - 32.0 / 1.8
"""What the keeping times below are told for: 40 °F."""


@dataclass(frozen=True, slots=True)
class Keeps:
    """How long a class keeps at 4.4 °C, as the chart prints it."""

    least_days: float
    row: str
    printed: str


_RAW = "1-2 days"
KEEPS: dict[str, Keeps] = {
    "poultry": Keeps(1.0, "fresh poultry", _RAW),
    "fish": Keeps(1.0, "fresh fish", _RAW),
    "offal": Keeps(1.0, "variety meats", _RAW),
    "mince": Keeps(1.0, "ground meat", _RAW),
    "red_meat": Keeps(3.0, "steaks, chops, roasts", "3-5 days"),
    "game": Keeps(3.0, "no row for game, steaks and roasts", "3-5 days"),
    "cooked": Keeps(3.0, "cooked dishes, leftovers", "3-4 days"),
    "milk": Keeps(3.0, "no row for milk without a date, cooked dishes", "3-4 days"),
    "other_chilled": Keeps(3.0, "salads of egg, chicken, ham", "3-5 days"),
    "unknown": Keeps(1.0, "class not said, the shortest row", _RAW),
}
"""By class, of the USDA and FoodSafety.gov cold storage chart, refrigerator at 40 °F, read in secondary
copies; the shorter figure orders: sooner is the careful way. No limit of any law, no verdict."""

KEPT_FROZEN = frozenset({"frozen_fish", "ice_cream", "frozen_other"})
THAWED_AS = {"frozen_fish": "fish", "ice_cream": "milk", "frozen_other": "unknown"}
HOURS_PER_DAY = 24.0
SAME_GAP_MS = 6 * HOUR_MS
"""Across a longer silence food is taken as warm as the warmer end (judgement, no source)."""


@dataclass(frozen=True, slots=True)
class UseFirst:
    """Where a batch comes in the order of use."""

    score: float
    """0 for what has its time before it, 1 for what has used it up; may pass 1. Highest first."""
    why: str


def use_first(
    food_class: FoodClass,
    t_ms: IntArray,
    food_c: FloatArray,
    *,
    as_of_ms: int,
    days_left: int | None = None,
    vacuum_packed: bool = False,
    ready_to_eat: bool = False,
) -> UseFirst:
    """Return where a batch comes in the order of use, and why.

    Parameters
    ----------
    food_class : str
        What it is.
    t_ms : (n,) int64
        Times over its whole life, never falling. [ms since 1970-01-01 UTC]
    food_c : (n,) float64
        Warmest its core is thought to have been; NaN where nothing is known. [°C]
    as_of_ms : int
        Now; what is after the last reading counts at that reading. [ms since 1970-01-01 UTC]
    days_left : int, optional
        Days to its date: 0 on the last day, negative when past; None when it has none.
    vacuum_packed : bool
        Smell tells nothing then; no time is given for it.
    ready_to_eat : bool
        Nothing will be cooked away: said, and raw fish is held against its own summary.

    Returns
    -------
    UseFirst
        Warmer, longer or nearer to its date never comes later.

    References
    ----------
    .. [1] Shares of a keeping time used up, with rates of `spoilage` and `growth`: judgement, no authority
       accepts it for release.
    """
    if food_class == "medicine":
        return UseFirst(0.0, "medicine is never ranked: ask the pharmacist")
    if food_class == "drinks":
        return UseFirst(0.0, "drinks only: a matter of taste")
    if days_left is not None and days_left < 0:
        return UseFirst(0.0, "past its date: not for use")
    known = _known(t_ms, food_c, as_of_ms)
    used, words = _used(food_class, *known)
    index = _index_words(*known, raw=food_class == "fish" and ready_to_eat)
    dated = 0.0 if days_left is None else 1.0 / (1.0 + days_left)
    told = [words, *_date_words(days_left)]
    if dated > used:
        told.reverse()
    if ready_to_eat:
        told.append("ready to eat: nothing will be cooked away")
    if vacuum_packed:
        told.append("vacuum packed: smell tells nothing")
    return UseFirst(max(used, dated), "; ".join([*told, *index]))


def _date_words(days_left: int | None) -> list[str]:
    if days_left is None:
        return []
    if days_left == 0:
        return ["last day today"]
    return [f"{days_left} day{'' if days_left == 1 else 's'} to its date"]


def _index_words(t_ms: IntArray, food_c: FloatArray, *, raw: bool) -> list[str]:
    """Return what the published table of cumulative times makes of food that was warm; explains only."""
    if not food_c.size or float(np.max(food_c)) <= WARM_C:
        return []
    told = []
    if raw and not raw_fish(t_ms, food_c).within:
        told.append("warm for longer than FDA Appendix 4 sums up for raw fish eaten as it is")
    index, organism = worst_index(t_ms, food_c)
    if index >= 1.0:
        told.append(f"index {index:.1f} for {organism}, no verdict of any law ({BANDS_SOURCE})")
    return told


def _used(food_class: str, t_ms: IntArray, food_c: FloatArray) -> tuple[float, str]:
    """Return the share of its keeping time used up, and in words."""
    if not t_ms.size:
        return 1.0, "its temperature is not known"
    keeps = KEEPS[THAWED_AS.get(food_class, food_class)]
    spent = _aged_days(t_ms, food_c)
    if food_class in KEPT_FROZEN and spent == 0.0:
        return 0.0, "kept frozen all along"
    share = spent / keeps.least_days
    words = f"aged like {spent:.1f} days at 4.4 °C; USDA cold storage chart: {keeps.row} {keeps.printed}"
    return share, words


def _aged_days(t_ms: IntArray, food_c: FloatArray) -> float:
    """Return the days at 4.4 °C that a history is worth: the flatter or the steeper curve, whichever is more.

    Below 4.4 °C the spoilage of fresh food decides, above it the growth of Listeria; what was measured on
    chicken and in broth from 7 to 20 °C lies between the two (tests against open data).
    """
    reference = np.array([REFERENCE_C])
    spoiled = days_at_zero(FRESH, t_ms, food_c) / float(FRESH.relative_rate(reference)[0])
    grown = growth(LISTERIA_HAM, t_ms, food_c) / float(LISTERIA_HAM.rate(reference)[0]) / HOURS_PER_DAY
    return max(spoiled, grown)


def _known(t_ms: IntArray, food_c: FloatArray, as_of_ms: int) -> tuple[IntArray, FloatArray]:
    """Return the readings up to now without holes: a long silence is as warm as its warmer end."""
    keep = np.isfinite(food_c) & (t_ms <= as_of_ms)
    times, values = t_ms[keep], food_c[keep]
    if not times.size:
        return times, values
    times, values = np.append(times, as_of_ms), np.append(values, values[-1])
    long = np.flatnonzero(np.diff(times) > SAME_GAP_MS)
    warmer = np.maximum(values[long], values[long + 1])
    # Two points at either end of the silence make it a step.
    return (
        np.insert(times, np.repeat(long + 1, 2), np.column_stack((times[long], times[long + 1])).ravel()),
        np.insert(values, np.repeat(long + 1, 2), np.repeat(warmer, 2)),
    )
