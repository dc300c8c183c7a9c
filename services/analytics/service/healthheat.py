"""What running, temperatures and the turns of its thermostat say of a machine on each UTC day."""

from dataclasses import dataclass, replace

import numpy as np

from services.analytics.power.ambient import LESS_COLD_PER_K
from services.analytics.power.frame import BoolArray, Frame, Runs, runs_of
from services.analytics.power.holdover import heat_capacity_j_per_k, time_constants_s
from services.analytics.service.healthgrid import Days, between_hours, ratio
from services.analytics.service.healthturns import (
    NEAREST_K,
    Turns,
    capacity_ratio_k,
    cooling_k_per_h,
    turns_of,
    warm_up_per_h,
)
from services.domain import UnitSettings
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS

NIGHT_FROM_H, NIGHT_TO_H = 23, 5
"""By the site's clock: doors are shut, the evening's loads pulled down (judgement)."""
HOT_FROM_H, HOT_TO_H = 11, 16
LEAST_NIGHT_H = 2.0
FEWEST_TURNS = 3
LONG_RUN_H = 2.0
"""A run longer than this is no turn of a thermostat in good order (judgement)."""
WARM_K = 1.5
"""Above where the machine usually starts, the cabinet is clearly warm (judgement)."""
USUAL_START_K = 1.0
"""Where it starts above its set point, on a day with too few starts (judgement)."""
LOW_END = 0.2
REFERENCE_C = 32.0
"""Slopes are brought to this air: the machine's capacity falls with warmer air."""
STILL_K, STILL_TURNS = 0.15, 6.0
"""A cabinet that moves by no more while its machine turns so often is not measured (judgement)."""
SETTLED_MS = 3 * MINUTE_MS
"""Running current and plate have settled by then (judgement)."""


@dataclass(frozen=True)
class Seen:
    """What every part of the day's numbers is counted from."""

    settings: UnitSettings
    frame: Frame
    runs: Runs
    turns: Turns
    days: Days
    place: IntArray
    hour: IntArray
    held_ms: IntArray
    """(n,) How long each state held within its day. [ms]"""
    gap_k: FloatArray
    warm: BoolArray
    """(n,) Where the cabinet stands clearly above where the machine usually starts."""

    @property
    def night(self) -> BoolArray:
        """Return where the site's clock stands in the night."""
        return between_hours(self.hour, NIGHT_FROM_H, NIGHT_TO_H)


def seen_of(frame: Frame, settings: UnitSettings, days: Days) -> Seen:
    """Return the frame counted through, with where the cabinet stands clearly warm."""
    frame = _moving(frame, days)
    day_ms = frame.t_ms // DAY_MS * DAY_MS
    # a stretch that goes on past midnight ends there: else a day would depend on the next one
    runs = runs_of(replace(frame, broken=frame.broken | (np.diff(day_ms) > 0)))
    place = days.place(frame.t_ms)
    held_ms = np.minimum(frame.held_ms, day_ms + DAY_MS - frame.t_ms)
    started = runs.first[1:][runs.on[1:] & ~runs.on[:-1] & runs.joined[:-1]]
    usual = days.low_end(place[started], frame.above_set_k[started], LOW_END, FEWEST_TURNS)
    usual = np.append(np.where(np.isfinite(usual), usual, USUAL_START_K), USUAL_START_K)
    return Seen(
        settings=settings,
        frame=frame,
        runs=runs,
        turns=turns_of(frame, runs),
        days=days,
        place=place,
        hour=days.hour(frame.t_ms, place),
        held_ms=held_ms,
        gap_k=frame.ambient_c - frame.cabinet_c,
        warm=frame.above_set_k > usual[place] + WARM_K,
    )


def _moving(frame: Frame, days: Days) -> Frame:
    """Return the frame without the cabinet of days on which it stood still while the machine turned."""
    place = days.place(frame.t_ms)
    span = days.highest(place, frame.cabinet_c) + days.highest(place, -frame.cabinet_c)
    turned = days.total(place[1:], (frame.on[1:] != frame.on[:-1]).astype(np.float64))
    still = np.append((span < STILL_K) & (turned >= STILL_TURNS), values=False)[place]
    if not bool(np.any(still)):
        return frame
    cabinet = np.where(still, np.nan, frame.cabinet_c)
    return replace(frame, cabinet_c=cabinet, above_set_k=np.where(still, np.nan, frame.above_set_k))


def heat_of(seen: Seen) -> tuple[dict[str, FloatArray], BoolArray]:
    """Return what running and temperatures of each day say, and where a run has settled."""
    frame, days, place, held_ms = seen.frame, seen.days, seen.place, seen.held_ms
    hours = days.hours(place, held_ms)
    run_h = days.hours(place, held_ms * frame.on)
    own_run = np.repeat(np.arange(seen.runs.on.size), seen.runs.last - seen.runs.first + 1)
    lasted_h = np.bincount(own_run, weights=held_ms, minlength=seen.runs.on.size) / HOUR_MS
    long = frame.on & (lasted_h[own_run] >= LONG_RUN_H)
    settled = frame.on & (frame.t_ms >= seen.runs.start_ms[own_run] + SETTLED_MS)
    stood = seen.warm & ~frame.on
    numbers = {
        "hours_seen": hours,
        "hours_run": run_h,
        "duty": ratio(run_h, hours),
        "full_duty_share": ratio(days.hours(place, held_ms * long), hours),
        "longest_run_h": np.nan_to_num(
            days.highest(place[seen.runs.first], np.where(seen.runs.on, lasted_h, 0.0))
        ),
        "ambient_c": days.mean(place, frame.ambient_c, held_ms),
        "ambient_max_c": days.highest(place, frame.ambient_c),
        "gap_k": days.mean(place, seen.gap_k, held_ms),
        "above_set_k": days.mean(place, frame.above_set_k, held_ms),
        "warm_load_h": days.hours(place, held_ms * (seen.warm & frame.on)),
        "stood_warm_h": days.hours(place, held_ms * stood),
        **_slopes(seen, stood),
        **_rates(seen),
        **_turning(seen),
    }
    cabinet = days.total(place, np.isfinite(frame.cabinet_c).astype(np.float64)) > 0
    for name in ("warm_load_h", "stood_warm_h"):
        numbers[name] = np.where(cabinet, numbers[name], np.nan)
    return numbers, settled


def _slopes(seen: Seen, stood: BoolArray) -> dict[str, FloatArray]:
    """Return duty for each kelvin between air and cabinet, at night and around noon.

    ``duty = UA (Ta - T) / Q(Ta)`` with ``Q(Ta) = Q0 [1 - b (Ta - 32)]``: the slope at 32 °C is UA / Q0. Hours
    in which a warm cabinet stood without cooling tell nothing of the need for it.
    """
    days, frame = seen.days, seen.frame
    found: dict[str, FloatArray] = {}
    turned_on, turned = _night_turns(seen)
    for name, part in (
        ("night", seen.night),
        ("hot", between_hours(seen.hour, HOT_FROM_H, HOT_TO_H)),
    ):
        asked = part & ~stood
        hours = days.hours(seen.place[asked], seen.held_ms[asked])
        duty = ratio(days.hours(seen.place[asked], (seen.held_ms * frame.on)[asked]), hours)
        if name == "night":
            duty = np.where(turned >= LEAST_NIGHT_H, ratio(turned_on, turned), duty)
            found["night_h"] = hours
        duty = np.where(hours >= LEAST_NIGHT_H, duty, np.nan)
        air = days.mean(seen.place[asked], frame.ambient_c[asked], seen.held_ms[asked])
        gap = days.mean(seen.place[asked], seen.gap_k[asked], seen.held_ms[asked])
        with np.errstate(invalid="ignore"):
            slope = (
                duty / np.where(gap >= NEAREST_K, gap, np.nan) * (1 - LESS_COLD_PER_K * (air - REFERENCE_C))
            )
        found[f"{name}_slope_per_k"] = slope
        if name == "night":
            found |= {"night_duty": duty, "night_gap_k": np.where(hours >= LEAST_NIGHT_H, gap, np.nan)}
    return found


def _night_turns(seen: Seen) -> tuple[FloatArray, FloatArray]:
    """Return hours run and hours in all of whole turns begun at night: no part of a turn is counted."""
    turns, days = seen.turns, seen.days
    if turns.on.size < 2:  # noqa: PLR2004 - a turn is a run and a rest
        nothing = np.zeros(days.count)
        return nothing, nothing
    begun = turns.on[:-1] & turns.whole[:-1] & turns.whole[1:]
    night = seen.night[seen.runs.first[:-1]] & ~seen.warm[seen.runs.last[1:]]
    at = np.flatnonzero(begun & night)
    place = seen.place[seen.runs.first[at]]
    return days.total(place, turns.hours[at]), days.total(place, turns.hours[at] + turns.hours[at + 1])


def _rates(seen: Seen) -> dict[str, FloatArray]:
    """Return how fast it warms and cools, and what the two say together.

    Nights where they hold enough stretches, since by day every opened lid is in it; else the whole day.
    """
    turns, days = seen.turns, seen.days
    place = days.place(turns.start_ms)
    night = seen.night[seen.runs.first]
    usable = turns.whole & ~seen.warm[seen.runs.last]
    off, on = usable & ~turns.on, usable & turns.on
    rate: dict[str, FloatArray] = {}
    for name, part in (("off", off), ("night_off", off & night), ("on", on), ("night_on", on & night)):
        sign = -1.0 if name.endswith("on") else 1.0
        rate[name] = days.middle(place[part], sign * turns.rate_k_per_h[part], FEWEST_TURNS)
    gap = turns.ambient_c - turns.mean_c
    by_night = days.middle(place[off & night], gap[off & night], FEWEST_TURNS)
    known = np.isfinite(rate["night_off"]) & np.isfinite(rate["night_on"])
    best_off = np.where(known, rate["night_off"], rate["off"])
    best_on = np.where(known, rate["night_on"], rate["on"])
    best_gap = np.where(known, by_night, days.middle(place[off], gap[off], FEWEST_TURNS))
    return {
        **{f"{name}_k_per_h": values for name, values in rate.items()},
        "warm_up_per_h": warm_up_per_h(best_off, best_gap),
        "cooling_k_per_h": cooling_k_per_h(best_off, best_on),
        "capacity_ratio_k": capacity_ratio_k(best_off, best_on, best_gap),
        **_long_stretches(seen),
    }


def _long_stretches(seen: Seen) -> dict[str, FloatArray]:
    """Return the time constant of long stretches without cooling, and with a declared load the gain."""
    start_ms, tau_s = time_constants_s(seen.frame, seen.runs, ambient_c=float("nan"))
    tau_h = seen.days.middle(seen.days.place(start_ms), tau_s / 3600.0)
    load_kg = seen.settings.unit.food.load_kg
    if load_kg is None:
        return {"time_constant_h": tau_h}
    capacity = heat_capacity_j_per_k(load_kg, frozen=seen.settings.unit.kind == "freezer")
    return {"time_constant_h": tau_h, "gain_w_per_k": capacity / (tau_h * 3600.0)}


def _turning(seen: Seen) -> dict[str, FloatArray]:
    """Return starts, and where the thermostat turned the machine."""
    runs, frame, days = seen.runs, seen.frame, seen.days
    seen_end = runs.joined[:-1] if runs.on.size else runs.joined
    stopped = runs.first[1:][runs.on[:-1] & seen_end]
    begun = runs.first[1:][~runs.on[:-1] & seen_end]
    above = frame.above_set_k
    rests = ~seen.turns.on & seen.turns.whole
    hours = days.hours(seen.place, seen.held_ms)
    starts = days.total(seen.place[begun], np.ones(begun.size))
    return {
        "starts": starts,
        "starts_per_h": ratio(starts, hours),
        "swing_k": days.middle(
            days.place(seen.turns.start_ms[rests]), seen.turns.rise_k[rests], FEWEST_TURNS
        ),
        "stop_above_k": days.middle(seen.place[stopped], above[stopped], FEWEST_TURNS),
        "start_above_k": days.middle(seen.place[begun], above[begun], FEWEST_TURNS),
    }
