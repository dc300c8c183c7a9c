"""Until when a machine whose cooling fades may wait: before food is at risk on a design hot day."""

from dataclasses import dataclass

import numpy as np

from services.analytics.food.rules import limits_of
from services.analytics.service.signals import RATED_AIR_C, Days
from services.analytics.service.trends import course_of
from services.domain import UnitSettings
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS

DESIGN_C = 43.0
"""Air of a design hot day: upper end of climate class T, 16 to 43 °C (IEC 62552-1, as summarised from the
older ISO 15502). A niche in the sun is hotter still."""
LOSS_PER_K = (0.010, 0.020)
"""Cooling capacity lost for a kelvin of warmer air, the least and the most. [1/K]"""
GUESS_K = 5.0
"""How far off the air may be where nothing measures it. [K]"""
FADES, LEAKS = (1.0 / 1.6, 1.0), (1.0, 1.6)
"""By what the cooling in hand may be off, its least and its most: a machine that fades loses more in great
heat than on ordinary days; a cabinet that leaks is opened on ordinary days too (judgement, after two
simulated years)."""
LONGEST_D = 365
RECENT = 7
_NO_TREND = "as it is now it may hold its food on a design hot day, and no further fall is sure"


@dataclass(frozen=True, slots=True)
class Wait:
    """A range of dates, with what there is to say where one is missing."""

    early: int | None = None
    early_reason: str | None = None
    late: int | None = None
    late_reason: str | None = None

    @staticmethod
    def none(why: str) -> "Wait":
        """Return no date at all."""
        return Wait(None, why, None, why)


def wait_of(
    days: Days, settings: UnitSettings, *, since_ms: int, as_of_ms: int, spread: tuple[float, float]
) -> Wait:
    """Return from when on food may be at risk on a design hot day if nothing is done.

    Cooling capacity over heat gain [K] is the most a cabinet can be held below its air; brought to the air of
    a design hot day it must stay above that air less the food's limit.

    Parameters
    ----------
    days : Days
        Days before now.
    settings : UnitSettings
        Gives the limit of its food.
    since_ms : int
        When the change began; the fall is read from the days since. [ms]
    as_of_ms : int
        Now. [ms]
    spread : pair of float
        `FADES` or `LEAKS`.
    """
    needed_k = DESIGN_C - limits_of(settings).food_limit_c
    low, high = (spread[k] * end for k, end in enumerate(hot_ratio_k(days)))
    known = np.isfinite(low) & days.fit
    if int(known.sum()) < RECENT:
        return Wait.none("how much it has in hand cannot be told from these days")
    low, high, day = low[known], high[known], days.day_ms[known]
    level_low, level_high = float(np.median(low[-RECENT:])), float(np.median(high[-RECENT:]))
    if level_high <= needed_k:
        return Wait(early=as_of_ms, late=as_of_ms)
    since = day >= since_ms
    slow, fast = _fall(day[since], high[since]), _fall(day[since], low[since])
    early, early_reason = _date(level_low - needed_k, None if fast is None else fast[1], as_of_ms)
    late, late_reason = _date(level_high - needed_k, None if slow is None else slow[0], as_of_ms)
    return Wait(early, early_reason, late, late_reason)


def hot_ratio_k(days: Days) -> tuple[FloatArray, FloatArray]:
    """Return the least and the most a cabinet could be held below air of `DESIGN_C`, day by day [K]."""
    running = np.where(days.duty > 0.0, days.duty, np.nan)
    guess = np.where(days.air_known, 0.0, GUESS_K)
    ends = []
    for loss, off in ((LOSS_PER_K[1], -guess), (LOSS_PER_K[0], guess)):
        now = 1.0 - loss * (days.air_c - RATED_AIR_C)
        ends.append((days.gap_k + off) / running * (1.0 - loss * (DESIGN_C - RATED_AIR_C)) / now)
    return ends[0], ends[1]


def _fall(day_ms: IntArray, ratio_k: FloatArray) -> tuple[float, float] | None:
    """Return the least and the most it falls a day, None where no fall is sure [K/d]."""
    course = course_of(day_ms / DAY_MS, ratio_k)
    if course is None or not course.sure or course.line.high >= 0.0:
        return None
    return -course.line.high, -course.line.low


def _date(in_hand_k: float, fall_k: float | None, as_of_ms: int) -> tuple[int | None, str | None]:
    if in_hand_k <= 0.0:
        return as_of_ms, None
    if fall_k is None:
        return None, _NO_TREND
    ahead_d = in_hand_k / fall_k
    if ahead_d > LONGEST_D:
        return None, "more than a year"
    return as_of_ms + int(ahead_d) * DAY_MS, None
