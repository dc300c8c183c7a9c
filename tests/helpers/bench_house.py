"""A small workshop's worth of units, each with a story, judged by the real monitor."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from services.box import Box
from services.domain.fleetfile import parse_fleet
from services.monitor.worker import Monitor
from services.records.facade import Records
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import Sample, Series
from services.timebase import DAY_MS
from tests.helpers.larder import NOW_MS, Larder, beat
from tests.helpers.made_supply import Story, played

FLEET = """
[[site]]
id = "vehicle-3"
name = "Vehicle 3"
kind = "vehicle"
timezone = "Africa/Lusaka"
[[site]]
id = "river-camp"
name = "River camp"
kind = "camp"
timezone = "Africa/Lusaka"
[[bank]]
id = "v3-aux"
chemistry = "agm"
nominal_v = 12
capacity_ah = 100
installed = 2025-09-01
[[bank]]
id = "camp-bank"
chemistry = "agm"
nominal_v = 12
capacity_ah = 100
[[person]]
name = "Petra W."
role = "workshop"
[[unit]]
id = "v3-meat"
name = "Meat chest"
kind = "fridge"
site = "vehicle-3"
volume_l = 60
plate = "Type K40, no. 0147"
set_point_c = 3
[unit.supply]
bank = "v3-aux"
cutout_v = 11.4
cable_length_m = 5
cable_mm2 = 6
[unit.compressor]
running_a = 4.2
[[unit]]
id = "camp-veg"
name = "Salad drawer"
kind = "fridge"
site = "river-camp"
set_point_c = 3
[unit.supply]
bank = "camp-bank"
cutout_v = 11.4
[[unit]]
id = "camp-fish"
name = "Fish freezer"
kind = "freezer"
site = "river-camp"
[unit.supply]
kind = "mains"
[[unit]]
id = "camp-plain"
name = "Plain fridge"
kind = "fridge"
site = "river-camp"
[unit.supply]
bank = "camp-bank"
"""
"""The meat chest stands behind a bad joint on a bank that runs down; the plain fridge tells its air only."""

_CHANNELS = {"cabinet_c": "cabinet", "battery_v": "battery", "compressor_on": "compressor"}


def _sent(unit: str, series: Series, columns: tuple[str, ...]) -> list[Sample]:
    shift = NOW_MS - 40_000 - int(series.t_ms[-1])
    found = {column: series.numbers(column) for column in columns}
    return [
        Sample(
            unit=unit,
            bid=1,
            sq=k,
            t_ms=int(t) + shift,
            tq=2,
            values={
                _CHANNELS[column]: bool(values[k]) if column == "compressor_on" else float(values[k])
                for column, values in found.items()
                if np.isfinite(values[k])
            },
        )
        for k, t in enumerate(series.t_ms)
    ]


def open_bench(folder: Path, *, days: float = 3.0) -> Larder:
    """Return the units after some days of their stories, judged as of now."""
    records = Records(folder / "records.db")
    records.apply_fleet(parse_fleet(FLEET, name="bench.toml"), who="operator", now_ms=NOW_MS - 20 * DAY_MS)
    store = SqliteStore(folder / "telemetry.db")
    worn = played(Story(days=days, soc=0.75, path_ohm=0.22, noise_v=0.02, charge_a=_sun))
    sound = played(Story(days=days, soc=0.95, path_ohm=0.04, noise_v=0.02, charge_a=_sun, seed=2))
    power, air = ("cabinet_c", "battery_v", "compressor_on"), ("cabinet_c",)
    for unit, series, columns in (
        ("v3-meat", worn, power),
        ("camp-veg", sound, power),
        ("camp-fish", sound, ("cabinet_c", "compressor_on")),
        ("camp-plain", sound, air),
    ):
        store.append(_sent(unit, series, columns), received_ms=NOW_MS)
    records.say_ice_point("v3-meat", who="Petra W.", reading_c=0.3, note="", now_ms=NOW_MS - 2 * DAY_MS)
    reader = SqliteReader(folder / "telemetry.db")
    monitor = Monitor(reader, records)
    for _ in range(200):
        if not monitor.step(NOW_MS).more:
            break
    for process in ("ingest", "monitor"):
        beat(folder, process, NOW_MS - 1_000)
    return Larder(records, store, reader, Box(folder, reserve_mb=1))


def _sun(minute: float) -> float:
    """Return what panels give, hour by hour of the story [A]."""
    return 5.0 if 300 < minute % 1440 < 600 else 0.0
