"""Which batch to use first: an order and its reason, which never releases anything.

The score says how much of its time food has used up. It looks at no verdict, and no verdict looks at it.
"""

from dataclasses import dataclass

import numpy as np

from services.analytics.food.growth import LISTERIA_HAM, growth
from services.analytics.food.spoilage import FRESH, SpoilageModel, days_at_zero
from services.domain import FoodClass
from services.telemetry import FloatArray, IntArray
from services.timebase import HOUR_MS

REFERENCE_C = 40.0 / 1.8 - 32.0 / 1.8
"""What the keeping times below are told for: 40 °F."""
_CHART = "USDA and FoodSafety.gov cold storage chart at 40 °F (read in secondary copies)"
_LIKE = f"{_CHART}, the shortest row that fits"
KEEPS: dict[str, tuple[float, str]] = {
    "poultry": (1.0, f"{_CHART}: fresh poultry 1-2 days"),
    "fish": (1.0, f"{_CHART}: fresh fish 1-2 days"),
    "offal": (1.0, f"{_CHART}: variety meats 1-2 days"),
    "mince": (1.0, f"{_CHART}: ground meat 1-2 days"),
    "red_meat": (3.0, f"{_CHART}: steaks, chops, roasts 3-5 days"),
    "game": (3.0, f"{_LIKE}: steaks, chops, roasts 3-5 days"),
    "cooked": (3.0, f"{_CHART}: cooked dishes and leftovers 3-4 days"),
    "milk": (3.0, f"{_LIKE}: cooked dishes 3-4 days; a date on the carton goes before"),
    "other_chilled": (3.0, f"{_LIKE}: salads of egg, chicken, ham 3-5 days"),
    "unknown": (1.0, f"{_LIKE}: what it is was not said"),
}
"""Days by class, the shorter figure of each row: sooner is the careful order. Not a limit of any law."""
KEPT_FROZEN = frozenset({"frozen_fish", "ice_cream", "frozen_other"})
THAWED_AS = {"frozen_fish": "fish", "ice_cream": "milk", "frozen_other": "unknown"}
READY_DAYS = 7.0
READY_SOURCE = "US Food Code 2022 3-501.17: 7 days at 5 °C or less (read in a state's adoption)"
READY_C = 5.0
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
        Nothing will be cooked away: germs of the cold decide as well.

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
    used, words = _used(food_class, *_known(t_ms, food_c, as_of_ms), ready_to_eat=ready_to_eat)
    dated = 0.0 if days_left is None else 1.0 / (1.0 + days_left)
    told = [words, *_date_words(days_left)]
    if dated > used:
        told.reverse()
    if vacuum_packed:
        told.append("vacuum packed: smell tells nothing")
    return UseFirst(max(used, dated), "; ".join(told))


def _date_words(days_left: int | None) -> list[str]:
    if days_left is None:
        return []
    if days_left == 0:
        return ["last day today"]
    return [f"{days_left} day{'' if days_left == 1 else 's'} to its date"]


def _used(food_class: str, t_ms: IntArray, food_c: FloatArray, *, ready_to_eat: bool) -> tuple[float, str]:
    """Return the share of its keeping time used up, and in words."""
    if not t_ms.size:
        return 0.0, "its temperature is not known"
    days, source = KEEPS[THAWED_AS.get(food_class, food_class)]
    spent = _days_at(FRESH, t_ms, food_c, REFERENCE_C)
    if food_class in KEPT_FROZEN and spent == 0.0:
        return 0.0, "kept frozen all along"
    share, words = spent / days, f"{spent:.1f} of {days:g} days at 4.4 °C used up ({source})"
    if ready_to_eat or food_class == "cooked":
        rate = float(LISTERIA_HAM.rate(np.array([READY_C]))[0]) * 24.0
        grown = growth(LISTERIA_HAM, t_ms, food_c) / rate
        if grown / READY_DAYS > share:
            share = grown / READY_DAYS
            words = f"{grown:.1f} of {READY_DAYS:g} days at 5 °C used up ({READY_SOURCE})"
    return share, words


def _days_at(model: SpoilageModel, t_ms: IntArray, food_c: FloatArray, reference_c: float) -> float:
    return days_at_zero(model, t_ms, food_c) / float(model.relative_rate(np.array([reference_c]))[0])


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
