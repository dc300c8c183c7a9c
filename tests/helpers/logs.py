"""Small logs and units for the food tests."""

import numpy as np

from services.domain import Food, Sensor, Unit, UnitSettings
from services.telemetry import Series

MINUTE_MS = 60_000
MIDNIGHT_MS = 1_760_054_400_000
"""2025-10-10T00:00:00Z"""
NO_GAP_LIMIT_S = 1e9
"""Worked cases are printed without a gap limit."""


def log(points, *, column="cabinet_c", start_ms=MIDNIGHT_MS):
    """Return a series from (minute, °C) points."""
    minutes, values = zip(*points, strict=True)
    t_ms = np.array([start_ms + round(m * MINUTE_MS) for m in minutes], dtype=np.int64)
    return Series(t_ms, {column: np.array(values, dtype=np.float64)})


def every_minute(values, *, start_ms=MIDNIGHT_MS, column="cabinet_c", step_min=1.0):
    """Return a series from values one step apart."""
    values = np.round(np.asarray(values, dtype=np.float64), 3)
    t_ms = start_ms + (np.arange(values.size) * round(step_min * MINUTE_MS)).astype(np.int64)
    return Series(t_ms, {column: values})


def unit(kind="fridge", *, classes=(), rules=(), position="air", offset_c=0.0, **fields):
    """Return the settings of a unit on mains, so that power stays out of the way."""
    load_kg = fields.pop("load_kg", None)
    return UnitSettings.of(
        Unit(
            id="camp-meat",
            kind=kind,
            food=Food(classes=classes, rules=rules, load_kg=load_kg),
            sensor=Sensor(position=position, offset_c=offset_c),
            supply={"kind": "mains"},
            **fields,
        )
    )


def entry(analysis, *, basis, limit_c=None, rule=...):
    """Return the one exposure entry that fits."""
    found = [
        e
        for e in analysis.exposure
        if e.basis == basis
        and (limit_c is None or abs(e.limit_c - limit_c) < 1e-9)
        and (rule is ... or e.rule == rule)
    ]
    assert len(found) == 1, [(e.rule, e.limit_c, e.basis) for e in analysis.exposure]
    return found[0]
