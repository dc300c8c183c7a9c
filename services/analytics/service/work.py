"""What a machine did day by day: run hours, starts, voltages, and the supply path as its stops show it."""

from dataclasses import dataclass

import numpy as np

from services.analytics.power.curves import curve_of
from services.analytics.power.frame import BoolArray, Frame, Runs
from services.analytics.power.resistance import FEWEST_STEPS, Reading, Steps, expected_ohm
from services.analytics.power.supplypath import FEWEST_A_DAY, daily_ohm
from services.analytics.power.trend import trend_of
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
class _Seen:
    """What the days are counted from."""

    frame: Frame
    quiet: BoolArray
    """(n,) Where a voltage was read and nothing charged."""
    started: IntArray
    """Day number of each start that was seen."""
    reading: Reading
    stop_day: IntArray
    stop_ohm: FloatArray
    """Stops of a charged bank."""
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
    curve, reading = curve_of(settings)[0], Reading.of(frame, settings)
    charged = steps.volts_off_12 >= curve.volts[5]
    seen = _Seen(
        frame=frame,
        quiet=np.isfinite(frame.volts_12) & ~charging,
        started=_starts_ms(runs) // DAY_MS,
        reading=reading,
        stop_day=steps.t_ms[charged] // DAY_MS,
        stop_ohm=steps.ohm[charged],
        has_battery=settings.has_battery,
    )
    day = frame.t_ms // DAY_MS
    days = np.unique(day)
    edges = np.append(np.searchsorted(day, days), day.size).tolist()
    return tuple(
        _day(seen, number, slice(first, end))
        for number, first, end in zip(days.tolist(), edges[:-1], edges[1:], strict=True)
    )


def _starts_ms(runs: Runs) -> IntArray:
    """Return when the machine was seen to start: it stood just before, without a gap between [ms]."""
    seen = runs.on[1:] & ~runs.on[:-1] & runs.joined[:-1]
    return runs.start_ms[1:][seen]


def _day(seen: _Seen, number: int, part: slice) -> WorkDay:
    """Return one day's counts; with mains there is no voltage to tell of."""
    held, on = seen.frame.held_ms[part], seen.frame.on[part]
    seen_h, ran_h = (round(float(np.sum(ms)) / HOUR_MS, 4) for ms in (held, held[on]))
    starts = int(np.sum(seen.started == number))
    known, fed = seen_h >= LEAST_SEEN_H, None if seen.has_battery else "no battery"
    loaded, rest = (_middle_v(seen, part, state=state) for state in (True, False))
    ohm = seen.stop_ohm[seen.stop_day == number]
    told = ohm.size >= FEWEST_A_DAY and fed is None
    return WorkDay(
        day=number * DAY_MS,
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
        path_ohm=round(float(np.median(ohm)), 4) if told else None,
        path_ohm_reason=None if told else fed or f"{ohm.size} stops of a charged bank, {FEWEST_A_DAY} needed",
        path_sd_ohm=round(seen.reading.sd_ohm(ohm, int(ohm.size)), 4) if told else None,
        path_sd_ohm_reason=None if told else "no resistance that day",
        path_stops=int(ohm.size),
    )


def _unless(value: float | None, reason: str) -> str | None:
    return reason if value is None else None


def _middle_v(seen: _Seen, part: slice, *, state: bool) -> float | None:
    """Return the middle of the voltage at the unit while it ran, or stood, and nothing charged [V]."""
    frame = seen.frame
    volts = frame.volts_12[part][seen.quiet[part] & (frame.on[part] == state)]
    return round(float(np.median(volts)) * frame.volt_scale, 3) if volts.size and seen.has_battery else None


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
