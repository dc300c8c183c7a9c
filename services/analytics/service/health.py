"""How a machine did on each UTC day: what the long-run findings compare.

A day's numbers rest on the samples from a day before it to four hours after it, so that worked out one by one
or a year at a time they are the same. Stretches end at midnight; the hours around only tell what charged.
"""

from collections.abc import Mapping
from dataclasses import replace
from hashlib import blake2s
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from services.analytics.power.frame import BoolArray, Frame, frame_of
from services.analytics.quality import impossible, merged
from services.analytics.service.borrowedair import borrowed_c
from services.analytics.service.findings import NEVER_STOPS_SHARE
from services.analytics.service.healthcutouts import cutouts_of
from services.analytics.service.healthgrid import AFTER_MS, BEFORE_MS, Days
from services.analytics.service.healthheat import Seen, heat_of, seen_of
from services.analytics.service.healthlids import lids_of
from services.analytics.service.healthsupply import supplied
from services.domain import AmbientFrom, DayMark, HealthDay, HealthTable, UnitSettings
from services.telemetry import FloatArray, Series
from services.timebase import DAY_MS

LEAST_SEEN_H = 1.0
FEWEST_READINGS = 10
WARM_LOAD_H = 2.0
STOOD_WARM_H = 1.0
HEAT_C = 43.0
"""Upper end of climate class T of IEC 62552-1 (read in summaries of ISO 15502)."""
MANY_LIDS = 40.0
PART_SEEN_H = 18.0


def measured_on(settings: UnitSettings) -> str:
    """Return what a day is measured on, as one word: site, bank, set point, and the rest of the description.

    Food, what people say of its state, and checks of its sensor change nothing of the machine.
    """
    unit = settings.unit
    described = (
        unit.model_dump_json(include={"kind", "volume_l", "plate", "compressor", "supply"}),
        unit.sensor.position,
        "" if settings.bank is None else settings.bank.model_dump_json(),
    )
    digest = blake2s("|".join(described).encode(), digest_size=4).hexdigest()
    return f"{unit.site or '-'}/{unit.supply.bank or unit.supply.kind}/{settings.set_point_c:g}/{digest}"


def health_days(
    series: Series,
    settings: UnitSettings,
    *,
    from_ms: int,
    to_ms: int,
    neighbour: Series | None = None,
) -> HealthTable:
    """Return the numbers of each UTC day that begins in ``[from_ms, to_ms)``.

    Parameters
    ----------
    series : Series
        One unit's samples, from `BEFORE_MS` before the first day to `AFTER_MS` after the last.
    settings : UnitSettings
        As it was described on those days.
    from_ms, to_ms : int
        On a UTC midnight each. [ms]
    neighbour : Series, optional
        Of another unit at the same site: its ambient stands in where this one measures none.

    Returns
    -------
    HealthTable
        Days on which a compressor state was seen for an hour and more; of a unit without that channel none.
    """
    clean = _believed(merged(series.between(from_ms - BEFORE_MS, to_ms + AFTER_MS))[0])
    frame = frame_of(clean, settings, None)
    days = Days(from_ms, max(0, (to_ms - from_ms) // DAY_MS), _zone(settings))
    if len(frame) == 0 or days.count == 0:
        return HealthTable()
    own_air = np.isfinite(frame.ambient_c)
    seen = seen_of(_with_neighbour(frame, neighbour), settings, days)
    numbers, settled = heat_of(seen)
    supply = supplied(clean, seen, settled)
    numbers |= {
        "lids": lids_of(clean, seen.frame, seen.turns, days),
        "evaporator_gap_k": _evaporator_gap(clean, seen, settled),
        "set_point_c": _set_point(clean, settings, days),
        "cutouts": cutouts_of(clean, seen, numbers["stood_warm_h"], settings),
        **supply.numbers,
    }
    has = _has(clean, seen, own_air)
    shared = {
        "measured_on": measured_on(settings),
        "on_battery": settings.has_battery,
        "dust_from": supply.dust_from,
    }
    return HealthTable(
        tuple(
            _row(
                int(days.day_ms[number]),
                {name: float(f"{v[number]:.5g}") for name, v in numbers.items() if np.isfinite(v[number])},
                tuple(name for name, some in has.items() if some[number]),
                shared,
            )
            for number in np.flatnonzero(numbers["hours_seen"] >= LEAST_SEEN_H).tolist()
        )
    )


def _evaporator_gap(series: Series, seen: Seen, settled: BoolArray) -> FloatArray:
    """Return the middle of cabinet less evaporator of each day, once a run has settled [K]."""
    evaporator = series.numbers("evaporator_c")[np.isfinite(series.numbers("compressor_on"))]
    gap = np.where(settled, seen.frame.cabinet_c - evaporator, np.nan)
    return seen.days.middle(seen.place, gap, FEWEST_READINGS)


def _set_point(series: Series, settings: UnitSettings, days: Days) -> FloatArray:
    """Return the set point of each day: the middle of what was reported, else as the file says [°C]."""
    found = np.full(days.count, settings.set_point_c)
    if not series.has("set_point_c"):
        return found
    reported = days.middle(days.place(series.t_ms), series.numbers("set_point_c"))
    return np.where(np.isfinite(reported), reported, found)


def _has(series: Series, seen: Seen, own_air: BoolArray) -> dict[str, BoolArray]:
    """Return on which days each channel was measured."""
    days, place = seen.days, seen.days.place(series.t_ms)
    columns = {"evaporator": "evaporator_c", "lid": "lid_open", "bank": "bank_v"}
    frame = {
        "cabinet": np.isfinite(seen.frame.cabinet_c),
        "battery": np.isfinite(seen.frame.volts_12),
        "current": np.isfinite(seen.frame.current_a),
        "ambient": own_air,
    }
    found = {name: days.total(seen.place, known.astype(np.float64)) > 0 for name, known in frame.items()}
    found["load"] = np.full(days.count, seen.settings.unit.food.load_kg is not None)
    for name, column in columns.items():
        if series.has(column):
            known = np.isfinite(series.numbers(column)).astype(np.float64)
            found[name] = days.total(place, known) > 0
    return found


def _zone(settings: UnitSettings) -> ZoneInfo | None:
    return None if settings.site is None else settings.site.zone


def _believed(series: Series) -> Series:
    """Return a series without temperatures that no such sensor can have measured."""
    columns = dict(series.columns)
    for name in ("cabinet_c", "ambient_c", "evaporator_c"):
        if name in columns:
            columns[name] = np.where(impossible(columns[name], name), np.nan, columns[name])
    return Series(series.t_ms, columns)


def _with_neighbour(frame: Frame, neighbour: Series | None) -> Frame:
    """Return the frame with another unit's ambient where its own was not measured."""
    air = borrowed_c(frame.t_ms, neighbour)
    if air is None:
        return frame
    return replace(frame, ambient_c=np.where(np.isfinite(frame.ambient_c), frame.ambient_c, air))


def _row(day_ms: int, told: dict[str, float], has: tuple[str, ...], shared: Mapping[str, Any]) -> HealthDay:
    """Return one day as it is kept: nothing where nothing is known, and from what only where something is."""
    ambient: AmbientFrom | None = None
    if "ambient_c" in told:
        ambient = "measured" if "ambient" in has else "neighbour"
    return HealthDay(
        day=day_ms,
        measured_on=shared["measured_on"],
        has=has,
        on_battery=shared["on_battery"],
        marks=_marks(told),
        ambient_from=ambient,
        lids_from=("measured" if "lid" in has else "jumps") if "lids" in told else None,
        ah_from=("measured" if "current" in has else "file") if "ah" in told else None,
        dust_from=shared["dust_from"],
        **told,
    )


def _marks(told: dict[str, float]) -> tuple[DayMark, ...]:
    """Return what sets a day aside."""
    found: list[tuple[DayMark, bool]] = [
        ("warm_load", told.get("warm_load_h", 0.0) >= WARM_LOAD_H),
        ("heat", told.get("ambient_max_c", 0.0) >= HEAT_C),
        ("stood_warm", told.get("stood_warm_h", 0.0) >= STOOD_WARM_H),
        ("always_on", told.get("duty", 0.0) >= NEVER_STOPS_SHARE),
        ("lid", told.get("lids", 0.0) >= MANY_LIDS),
        ("part_seen", told["hours_seen"] < PART_SEEN_H),
    ]
    return tuple(mark for mark, there in found if there)
