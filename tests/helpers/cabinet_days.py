"""Days of a cabinet that obeys two straight laws: warming towards the air, cooling by a constant capacity."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from services.domain import Bank, Site, Unit, UnitSettings
from services.telemetry import Sample, Series
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS

FIRST_MS = 1_782_864_000_000
"""2026-07-01T00:00:00Z, a midnight."""


@dataclass(frozen=True)
class Machine:
    """What a cabinet and its machine are."""

    time_constant_h: float = 4.0
    capacity_ratio_k: float = 100.0
    """Cooling capacity over heat gain."""
    set_c: float = 3.0
    half_k: float = 1.0
    running_a: float = 4.0
    path_ohm: float = 0.05

    def but(self, **changes: float) -> "Machine":
        """Return another one."""
        return replace(self, **changes)


def usual_air_c(t_ms: int) -> float:
    """Return the air of a warm country: 28 ± 7 °C, warmest at two in the afternoon, UTC."""
    return 28.0 + 7.0 * math.cos(2.0 * math.pi * ((t_ms % DAY_MS) / DAY_MS - 14.0 / 24.0))


def played(
    days: int,
    machine: Callable[[int], Machine] | Machine = Machine(),
    *,
    air_c: Callable[[int], float] = usual_air_c,
    start_ms: int = FIRST_MS,
    warmed: Callable[[int], float] = lambda _: 0.0,
    drop: tuple[str, ...] = (),
    still: Callable[[int], bool] = lambda _: False,
) -> Series:
    """Return so many days of minutes, and four hours more.

    `warmed` says by how many kelvin the cabinet jumps at a minute, `still` when nobody feeds the machine,
    `drop` which columns are not measured.
    """
    now = machine if callable(machine) else (lambda _: machine)
    minutes = days * 24 * 60 + 4 * 60
    t_ms = start_ms + np.arange(minutes, dtype=np.int64) * MINUTE_MS
    cabinet, on, air = np.empty(minutes), np.zeros(minutes), np.empty(minutes)
    level, running = now(int(start_ms)).set_c, False
    for k, at in enumerate(t_ms.tolist()):
        own, around = now(at), air_c(at)
        if level >= own.set_c + own.half_k:
            running = True
        elif level <= own.set_c - own.half_k:
            running = False
        turning = running and not still(at)
        cabinet[k], on[k], air[k] = level, turning, around
        towards = around - (own.capacity_ratio_k if turning else 0.0)
        level = towards + (level - towards) * math.exp(-1.0 / 60.0 / own.time_constant_h) + warmed(at)
    first = now(int(start_ms))
    columns = {
        "cabinet_c": np.round(cabinet, 3),
        "compressor_on": on,
        "ambient_c": np.round(air, 3),
        "battery_v": np.round(12.6 - first.path_ohm * first.running_a * on, 3),
    }
    return Series(t_ms, {name: values for name, values in columns.items() if name not in drop})


def settings(
    *, kind: str = "fridge", site: str = "vehicle", supply: str = "battery", **of_unit
) -> UnitSettings:
    """Return the description of such a unit."""
    unit = Unit.model_validate(
        {
            "id": "box-one",
            "kind": kind,
            "site": "place-one",
            "set_point_c": 3.0,
            "interval_s": 60,
            "supply": {"kind": supply, "bank": "bank-one" if supply == "battery" else None},
            "compressor": {"running_a": 4.0},
            **of_unit,
        }
    )
    return UnitSettings.of(
        unit,
        site=Site(id="place-one", name="Place one", kind=site),
        bank=Bank(id="bank-one", chemistry="agm", nominal_v=12, capacity_ah=100),
    )


def samples(series: Series, unit: str, *, bid: int = 1, first_sq: int = 0) -> list[Sample]:
    """Return a series as the samples a unit would send."""
    names = {
        "cabinet_c": "cabinet",
        "compressor_on": "compressor",
        "ambient_c": "ambient",
        "battery_v": "battery",
    }
    found = []
    for k, at in enumerate(series.t_ms.tolist()):
        values = {names[c]: float(v[k]) for c, v in series.columns.items() if np.isfinite(v[k])}
        values["compressor"] = bool(values["compressor"])
        found.append(Sample(unit=unit, bid=bid, sq=first_sq + k, t_ms=at, tq=2, values=values))
    return found


__all__ = ["DAY_MS", "FIRST_MS", "HOUR_MS", "Machine", "played", "samples", "settings", "usual_air_c"]
