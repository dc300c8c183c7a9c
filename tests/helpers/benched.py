"""A cabinet on a workshop's bench, minute by minute in closed form: one lumped block, one thermostat."""

import math
from dataclasses import dataclass

import numpy as np

from services.analytics.service.runtest import run_test
from services.analytics.service.runtest_lines import Asked
from services.domain import (
    Bank,
    Compressor,
    Food,
    RunTestBegun,
    RunTestWords,
    Supply,
    Unit,
    UnitSettings,
)
from services.records.facade import Records
from services.telemetry import Series
from services.timebase import HOUR_MS

START_MS = 1_772_524_800_000
"""2026-03-03T08:00:00Z."""
SHUT = RunTestWords(lid_shut=True)
LIMIT_C = 4.0


@dataclass(frozen=True)
class Block:
    """Insulation, heat capacity, machine and wires of the cabinet."""

    ua_w_per_k: float = 0.64
    c_j_per_k: float = 20_000.0
    q_w: float = 60.0
    rest_v: float = 12.8
    amps: float = 4.0
    ohm: float = 0.08


def settings(**changes: object) -> UnitSettings:
    """Return the unit: a fridge set to 2 °C with a limit of 4 °C."""
    unit: dict[str, object] = {
        "id": "bench-1",
        "kind": "fridge",
        "set_point_c": 2.0,
        "interval_s": 60,
        "food": Food(classes=("unknown",)),
        "compressor": Compressor(running_a=4.0),
        "supply": Supply(cutout_v=11.4, restart_v=12.4, cable_length_m=5.0, cable_mm2=6.0),
    }
    bank = Bank(id="bench-bank", chemistry="agm", nominal_v=12, capacity_ah=100)
    return UnitSettings.of(Unit.model_validate(unit | changes), bank=bank)


def played(
    hours: float,
    *,
    block: Block = Block(),
    begin_c: float = 30.0,
    ambient_c: float | None = 30.0,
    set_c: float = 2.0,
    off_from_h: float | None = None,
    **columns: object,
) -> Series:
    """Return readings of every minute; `columns` overwrite or add some, None leaves one out."""
    count = round(hours * 60) + 1
    air = 30.0 if ambient_c is None else ambient_c
    keep = math.exp(-60.0 * block.ua_w_per_k / block.c_j_per_k)
    cabinet, on = np.empty(count), np.empty(count)
    value, running = begin_c, begin_c > set_c + 1.0
    for k in range(count):
        running = value > set_c - 1.0 if running else value >= set_c + 1.0
        if off_from_h is not None and k >= off_from_h * 60:
            running = False
        cabinet[k], on[k] = value, running
        goes_to = air - (block.q_w / block.ua_w_per_k if running else 0.0)
        value = goes_to + (value - goes_to) * keep
    found = {
        "cabinet_c": np.round(cabinet, 3),
        "compressor_on": on,
        "battery_v": np.round(block.rest_v - block.amps * block.ohm * on, 3),
        "ambient_c": np.full(count, air),
    }
    if ambient_c is None:
        del found["ambient_c"]
    for name, given in columns.items():
        found.pop(name, None)
        if given is not None:
            found[name] = np.asarray(given)
    return Series(START_MS + 60_000 * np.arange(count, dtype=np.int64), found)


def concluded(
    records: Records, unit: str, *, who: str, now_ms: int, series: Series | None = None, **words: object
) -> int:
    """Have a test of a unit begun twelve hours ago and concluded from what was played; return its number."""
    start_ms = now_ms - 12 * HOUR_MS
    told = SHUT.model_copy(update=words)
    number = records.begin_run_test(
        RunTestBegun(person=who, unit=unit, kind="run", words=told), now_ms=start_ms
    )
    played_series = played(12) if series is None else series
    asked = Asked(START_MS, START_MS + 12 * HOUR_MS, told)
    found = run_test(played_series, settings(id=unit), asked)
    shifted = found.model_copy(update={"start": start_ms, "end": now_ms})
    records.conclude_run_test(number, shifted, now_ms=now_ms)
    return number
