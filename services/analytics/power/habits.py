"""What usually charges a bank: drives and mains as their hours recur, the sun as it must shine."""

from dataclasses import dataclass

import numpy as np

from services.analytics.power.frame import BoolArray, Frame
from services.analytics.power.sunshine import CLOUD_MEAN, clear_sky_w_per_m2, panel_a
from services.domain import UnitSettings
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, HOUR_MS, utc_day_start_ms

HABIT_DAYS = 7
FEWEST_DAYS = 3
"""Fewer whole days show no habit (judgement, no source)."""
MOSTLY = 0.5
"""An hour in which something charges on half of the days is expected to charge again."""
LARGEST_RATE_PER_H = 0.3
"""No learned charging gives more than this share of the capacity in an hour (judgement)."""
FULL_SHARE = 0.95
TAPER_H = 2.0
"""Near full no more goes in than half of what is missing in an hour (judgement over charger tapers)."""


@dataclass(frozen=True)
class Habit:
    """Charging that recurs by hour of the day."""

    chance_by_hour: FloatArray
    """(24,) Share of the past days on which something charged in this UTC hour."""
    share_by_hour: FloatArray
    """(24,) Mean share of the hour it then lasted."""
    amps: float
    """What came in on average while something charged: what went out came back."""
    days: int


@dataclass(frozen=True)
class Sources:
    """Expected charging hour by hour from an instant on."""

    habit_a: FloatArray
    """(h,) While it happens. [A]"""
    habit_chance: FloatArray
    """(h,)"""
    sun_a: FloatArray
    """(h,) Under a usual sky. [A]"""
    day: IntArray
    """(h,) UTC day of each hour, from 0."""

    @property
    def mean_ah(self) -> float:
        """Charge expected on the first day [Ah]."""
        first = slice(0, 24)
        habit = self.habit_a[first] * self.habit_chance[first]
        return float(np.sum(np.maximum(habit, self.sun_a[first])))


def habit_of(
    frame: Frame,
    charging: BoolArray,
    ah: FloatArray,
    *,
    as_of_ms: int,
    capacity_ah: float,
    soc_now: float,
) -> Habit | None:
    """Return the charging that recurs; None with fewer than three whole days or hardly any charging.

    Parameters
    ----------
    frame, charging, ah : Frame, (n,) bool, (n,) float64
        Samples, where something charges, and the charge drawn since the first sample. [Ah]
    as_of_ms : int
        The seven whole UTC days before it are looked at. [ms]
    capacity_ah, soc_now : float
        Of the bank.

    Returns
    -------
    Habit or None
        Over the days looked at, what came in is what was drawn less what the bank lost at most, had it
        been full at the start: the lower end, since people plan on it.
    """
    end_ms = utc_day_start_ms(as_of_ms)
    looked = (frame.t_ms >= end_ms - HABIT_DAYS * DAY_MS) & (frame.t_ms < end_ms)
    if not bool(np.any(looked)):
        return None
    at = np.flatnonzero(looked)
    first_day = int(frame.t_ms[at[0]] // DAY_MS)
    days = int(end_ms // DAY_MS) - first_day
    held = frame.held_ms[at].astype(np.float64)
    cell = (frame.t_ms[at] // HOUR_MS - first_day * 24).astype(np.int64)
    on = np.bincount(cell, weights=held * charging[at], minlength=24 * days).reshape(days, 24) / HOUR_MS
    seen = np.bincount(cell, weights=held, minlength=24 * days).reshape(days, 24) / HOUR_MS
    whole = np.sum(seen, axis=1) >= 12.0  # noqa: PLR2004 - half a day of samples
    hours = float(np.sum(on))
    if int(np.sum(whole)) < FEWEST_DAYS or hours < 1.0:
        return None
    happened = on[whole] > 0.1  # noqa: PLR2004 - six minutes
    count = np.sum(happened, axis=0)
    drawn = float(ah[-1] - ah[at[0]])
    came = max(0.0, drawn - max(0.0, FULL_SHARE - soc_now) * capacity_ah)
    amps = min(LARGEST_RATE_PER_H * capacity_ah, came / hours)
    return Habit(
        chance_by_hour=count / float(np.sum(whole)),
        share_by_hour=np.sum(on[whole], axis=0) / np.maximum(count, 1),
        amps=amps,
        days=int(np.sum(whole)),
    )


def sources_ahead(habit: Habit | None, settings: UnitSettings, *, from_ms: int, hours: int) -> Sources | None:
    """Return the charging expected from an instant on; None where nothing is.

    The sun counts where the file names panels and the site its place; hours the habit knows as well are
    not counted twice, since the larger of the two is taken.
    """
    t_ms = np.asarray(from_ms + (np.arange(hours) + 0.5) * HOUR_MS, dtype=np.int64)
    hour = t_ms // HOUR_MS % 24
    nothing = np.zeros(hours)
    sun = sun_ahead_a(settings, t_ms)
    if habit is None and sun is None:
        return None
    return Sources(
        habit_a=nothing if habit is None else habit.amps * habit.share_by_hour[hour],
        habit_chance=nothing if habit is None else habit.chance_by_hour[hour],
        sun_a=nothing if sun is None else sun,
        day=np.asarray(t_ms // DAY_MS - t_ms[0] // DAY_MS, dtype=np.int64),
    )


def sun_ahead_a(settings: UnitSettings, t_ms: IntArray) -> FloatArray | None:
    """Return what declared panels are expected to give; None without panels or a known place [A]."""
    site, panel_wp = settings.site, settings.unit.supply.panel_wp
    if site is None or panel_wp <= 0 or site.latitude_deg is None or site.longitude_deg is None:
        return None
    sun = clear_sky_w_per_m2(t_ms, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg)
    return CLOUD_MEAN * panel_a(sun, panel_wp=panel_wp, nominal_v=float(settings.nominal_v))


def next_start_ms(habit: Habit | None, as_of_ms: int) -> int | None:
    """Return when charging usually begins next: an hour it mostly happens after one it does not [ms]."""
    if habit is None:
        return None
    mostly = habit.chance_by_hour >= MOSTLY
    if not bool(np.any(mostly)) or bool(np.all(mostly)):
        return None
    begins = mostly & ~np.roll(mostly, 1)
    for ahead in range(1, 25):
        at_ms = (as_of_ms // HOUR_MS + ahead) * HOUR_MS
        hour = at_ms // HOUR_MS % 24
        if bool(begins[hour]):
            late = max(0.0, 1.0 - float(habit.share_by_hour[hour]))
            return at_ms + round(min(0.9, late) * HOUR_MS)
    return None


def usual_charge_end_ms(ends_ms: IntArray, lengths_ms: IntArray, as_of_ms: int) -> int | None:
    """Return when charging usually ends next: the median hour of the last week; None if it has no habit.

    Only past charging that went on at this time of its day counts: a short drive at noon does not end with
    the drive of tomorrow morning.

    Two drives a day end at two hours: the ends are taken apart where they lie more than four hours from
    each other, and the nearest cluster ahead with an end on two days counts.
    """
    recent = ends_ms >= as_of_ms - HABIT_DAYS * DAY_MS
    ahead = (ends_ms - as_of_ms) % DAY_MS
    ahead = np.sort(ahead[recent & (ahead <= lengths_ms)])
    if ahead.size < 2:  # noqa: PLR2004 - one end is no habit
        return None
    groups = np.split(ahead, np.flatnonzero(np.diff(ahead) > 2 * HOUR_MS) + 1)
    for group in groups:
        if group.size >= 2 and float(np.ptp(group)) <= 4 * HOUR_MS:  # noqa: PLR2004
            return as_of_ms + round(float(np.median(group)))
    return None


def taper_a(missing_ah: FloatArray) -> FloatArray:
    """Return the most a bank takes when so much is missing, lead-acid as lithium [A]."""
    return np.asarray(missing_ah / TAPER_H, dtype=np.float64)
