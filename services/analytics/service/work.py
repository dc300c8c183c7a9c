"""What a machine did day by day: run hours, starts, voltages, and the supply path as its stops show it."""

import math
from dataclasses import dataclass

import numpy as np

from services.analytics.power.curves import curve_of
from services.analytics.power.frame import BoolArray, Frame, Runs
from services.analytics.power.resistance import FEWEST_STEPS, Reading, Steps, expected_ohm
from services.analytics.power.supplypath import FEWEST_A_DAY, daily_ohm
from services.analytics.power.trend import trend_of
from services.analytics.service.healthgrid import Days
from services.domain import DROP_LIMIT_SHARE, DROP_LIMIT_SOURCE, PathOhm, UnitSettings, Work, WorkDay
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, HOUR_MS

LEAST_SEEN_H = 1.0
"""Under an hour no share and no rate is told (judgement)."""
MOST_STOPS = 60
"""Single stops handed on, evenly picked: more say nothing new on a chart."""
NOT_SEEN = "no compressor state in these samples"
TOO_SHORT = "less than an hour seen"


@dataclass(frozen=True)
class _Counted:
    """What each day comes to; NaN where it does not tell it."""

    seen_h: FloatArray
    ran_h: FloatArray
    starts: FloatArray
    loaded_v: FloatArray
    rest_v: FloatArray
    path_ohm: FloatArray
    stop_day: IntArray
    stop_ohm: FloatArray
    """Stops of a charged bank, with the place of their day."""
    reading: Reading
    has_battery: bool


def work_of(
    frame: Frame, runs: Runs, steps: Steps, charging: BoolArray, settings: UnitSettings, *, as_of_ms: int
) -> Work:
    """Return what a machine did over the samples looked at.

    Parameters
    ----------
    frame, runs : Frame, Runs
        Samples with a known compressor state.
    steps : Steps
        Resistance at each usable compressor stop.
    charging : (n,) bool
        Where something charges: voltages there are the charger's.
    settings : UnitSettings
        Cable and bank.
    as_of_ms : int
        Now; where it starts if there is no sample. [ms]
    """
    battery, told = settings.has_battery, len(frame) > 0
    fed = None if battery else f"fed from {settings.unit.supply.kind}, no battery"
    days, path = _days_and_path(frame, runs, steps, charging, settings) if told else ((), {})
    seen_h = float(np.sum(frame.held_ms)) / HOUR_MS
    ran_h = float(np.sum(frame.held_ms[frame.on])) / HOUR_MS
    starts = sum(day.starts for day in days)
    known = seen_h >= LEAST_SEEN_H
    unseen = None if told else NOT_SEEN
    why = None if known else unseen or TOO_SHORT
    return Work(
        start=int(frame.t_ms[0]) if told else as_of_ms,
        hours_seen=seen_h,
        hours_run=ran_h if told else None,
        hours_run_reason=unseen,
        starts=starts if told else None,
        starts_reason=unseen,
        duty=ran_h / seen_h if known else None,
        duty_reason=why,
        starts_per_hour=starts / seen_h if known else None,
        starts_per_hour_reason=why,
        expected_ohm=expected_ohm(settings) if battery else None,
        expected_ohm_reason=fed,
        drop_limit_v=DROP_LIMIT_SHARE * settings.nominal_v if battery else None,
        drop_limit_v_reason=fed,
        drop_limit_source=DROP_LIMIT_SOURCE if battery else "",
        days=days,
        **({"stop_sd_ohm_reason": fed, "trend_reason": fed} if fed else path),
    )


def _days_and_path(
    frame: Frame, runs: Runs, steps: Steps, charging: BoolArray, settings: UnitSettings
) -> tuple[tuple[WorkDay, ...], dict[str, object]]:
    curve, reading = curve_of(settings)[0], Reading.of(frame, settings)
    days = days_of(frame, runs, steps, charging, settings)
    return days, _path(steps, reading, *daily_ohm(steps, curve))


def days_of(
    frame: Frame, runs: Runs, steps: Steps, charging: BoolArray, settings: UnitSettings
) -> tuple[WorkDay, ...]:
    """Return what a machine did on each UTC day of a frame that holds samples; see `work_of`."""
    first = int(frame.t_ms[0]) // DAY_MS
    days = Days(first * DAY_MS, int(frame.t_ms[-1]) // DAY_MS - first + 1, None)
    counted = _counted(frame, runs, steps, charging, settings, days=days)
    return tuple(
        _day(counted, int(days.day_ms[number]), number)
        for number in np.unique(days.place(frame.t_ms)).tolist()
    )


def _counted(
    frame: Frame,
    runs: Runs,
    steps: Steps,
    charging: BoolArray,
    settings: UnitSettings,
    *,
    days: Days,
) -> _Counted:
    place = days.place(frame.t_ms)
    charged = steps.volts_off_12 >= curve_of(settings)[0].volts[5]
    quiet = np.isfinite(frame.volts_12) & ~charging
    volts = frame.volts_12 * frame.volt_scale if settings.has_battery else np.full(len(frame), np.nan)
    starts = days.place(_starts_ms(runs))
    stop_day, ohm = days.place(steps.t_ms[charged]), steps.ohm[charged]
    return _Counted(
        seen_h=days.hours(place, frame.held_ms),
        ran_h=days.hours(place, frame.held_ms * frame.on),
        starts=days.total(starts, np.ones(starts.size)),
        loaded_v=days.middle(place[quiet & frame.on], volts[quiet & frame.on]),
        rest_v=days.middle(place[quiet & ~frame.on], volts[quiet & ~frame.on]),
        path_ohm=days.middle(stop_day, ohm, FEWEST_A_DAY),
        stop_day=stop_day,
        stop_ohm=ohm,
        reading=Reading.of(frame, settings),
        has_battery=settings.has_battery,
    )


def _starts_ms(runs: Runs) -> IntArray:
    """Return when the machine was seen to start: it stood just before, without a gap between [ms]."""
    seen = runs.on[1:] & ~runs.on[:-1] & runs.joined[:-1]
    return runs.start_ms[1:][seen]


def _day(counted: _Counted, day_ms: int, number: int) -> WorkDay:
    """Return one day's counts; with mains there is no voltage to tell of."""
    seen_h, ran_h = round(float(counted.seen_h[number]), 4), round(float(counted.ran_h[number]), 4)
    starts = int(counted.starts[number])
    known, fed = seen_h >= LEAST_SEEN_H, None if counted.has_battery else "no battery"
    loaded, rest = _told(counted.loaded_v[number], 3), _told(counted.rest_v[number], 3)
    ohm = counted.stop_ohm[counted.stop_day == number]
    path = None if fed is not None else _told(counted.path_ohm[number], 4)
    return WorkDay(
        day=day_ms,
        hours_seen=seen_h,
        hours_run=ran_h,
        starts=starts,
        duty=round(ran_h / seen_h, 4) if known else None,
        duty_reason=None if known else TOO_SHORT,
        starts_per_hour=round(starts / seen_h, 4) if known else None,
        starts_per_hour_reason=None if known else TOO_SHORT,
        loaded_v=loaded,
        loaded_v_reason=_unless(loaded, fed or "no voltage while it ran and nothing charged"),
        rest_v=rest,
        rest_v_reason=_unless(rest, fed or "no voltage while it stood and nothing charged"),
        path_ohm=path,
        path_ohm_reason=_unless(path, fed or f"{ohm.size} stops of a charged bank, {FEWEST_A_DAY} needed"),
        path_sd_ohm=None if path is None else round(counted.reading.sd_ohm(ohm, int(ohm.size)), 4),
        path_sd_ohm_reason=_unless(path, "no resistance that day"),
        path_stops=int(ohm.size),
    )


def _unless(value: float | None, reason: str) -> str | None:
    return reason if value is None else None


def _told(value: float, digits: int) -> float | None:
    return round(float(value), digits) if math.isfinite(value) else None


def _path(steps: Steps, reading: Reading, days: FloatArray, ohm: FloatArray) -> dict[str, object]:
    """Return the single stops with their error, and the line through the days where there is one."""
    count = steps.ohm.size
    if count < FEWEST_STEPS:
        return {}
    picked = np.unique(np.linspace(0, count - 1, min(MOST_STOPS, count)).astype(np.int64))
    found: dict[str, object] = {
        "stops": tuple(
            PathOhm(at=int(t), ohm=round(float(each), 4))
            for t, each in zip(steps.t_ms[picked], steps.ohm[picked], strict=True)
        ),
        "stop_sd_ohm": round(reading.sd_ohm(steps.ohm, 1), 4),
        "stop_sd_ohm_reason": None,
    }
    trend = trend_of(days, ohm)
    if trend is not None:
        # a line of that slope goes through the middle of what is left when the slope is taken off
        level = float(np.median(ohm - trend.slope * days))
        found["trend_reason"] = None
        found["trend"] = tuple(
            PathOhm(at=int((day + 0.5) * DAY_MS), ohm=round(level + trend.slope * day, 4))
            for day in (float(days[0]), float(days[-1]))
        )
    return found
