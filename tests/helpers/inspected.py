"""A cabinet's life for the inspector's log, kept by the real records and the real telemetry store."""

from collections.abc import Callable
from pathlib import Path

import numpy as np

from services.box import Box
from services.domain import Fleet
from services.domain.fleetfile import parse_fleet
from services.records.facade import Records
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import Sample
from services.timebase import DAY_MS, MINUTE_MS, ms_of_iso
from tests.helpers.larder import Larder

DAY = ms_of_iso("2026-03-03T22:00:00Z")
"""Midnight of 4 March at the cabinet's place (UTC+2)."""
PRINTED_MS = ms_of_iso("2026-03-06T08:00:00Z")
TODAY = "2026-03-04"


def fleet(*, classes: str = '["red_meat"]', extra: str = "", kind: str = "fridge") -> Fleet:
    """Return one cabinet on mains with a product probe mapped as its warmest spot."""
    return parse_fleet(
        f"""
[[site]]
id = "river-camp"
name = "River camp"
kind = "camp"
timezone = "Africa/Lusaka"
[[person]]
name = "Jonas K."
role = "cook"
[[person]]
name = "Thandi M."
role = "manager"
[[unit]]
id = "camp-meat"
name = "Meat fridge"
kind = "{kind}"
site = "river-camp"
interval_s = 60
[unit.food]
classes = {classes}
[unit.sensor]
position = "product"
[unit.supply]
kind = "mains"
{extra}
""",
        name="fleet.toml",
    )


def open_book(
    folder: Path,
    cabinet_c: Callable[[float], float],
    *,
    days: float = 3.0,
    start_ms: int = DAY - DAY_MS,
    silent: tuple[tuple[int, int], ...] = (),
    described: Fleet | None = None,
) -> Larder:
    """Return the records and readings of a fridge; `cabinet_c` is of the minute after `DAY`.

    `silent` are stretches of minutes after `DAY` without samples, both ends excluded from what is kept.
    """
    records = Records(folder / "records.db")
    records.apply_fleet(described or fleet(), who="operator", now_ms=DAY - 10 * DAY_MS)
    store = SqliteStore(folder / "telemetry.db")
    samples, sq = [], 0
    for t_ms in np.arange(start_ms, start_ms + round(days * DAY_MS), MINUTE_MS).tolist():
        minute = (t_ms - DAY) / MINUTE_MS
        if any(low < minute < high for low, high in silent):
            continue
        values = {
            "cabinet": round(cabinet_c(minute), 3),
            "compressor": minute % 40 < 15,
            "supply": "mains",
        }
        samples.append(Sample(unit="camp-meat", bid=1, sq=sq, t_ms=t_ms, tq=2, values=values))
        sq += 1
    store.append(samples, received_ms=PRINTED_MS - DAY_MS)
    return Larder(records, store, SqliteReader(folder / "telemetry.db"), Box(folder, reserve_mb=1))


def steady(minute: float) -> float:
    """Return a healthy fridge: it swings, because a value that never moves is a dead sensor."""
    return 3.0 + 0.3 * float(np.sin(minute / 7))


def warm_between(first: float, last: float, warm_c: float = 8.0) -> Callable[[float], float]:
    """Return a healthy fridge with one warm stretch, both ends included."""
    return lambda minute: warm_c + steady(minute) - 3.0 if first <= minute <= last else steady(minute)
