"""What the samples of a cabinet tell of the food of one batch in it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from services.analytics.food.entries import Readings
from services.analytics.quality import gap_limit_ms, interval_s, judged, merged
from services.domain import SensorCheck, UnitSettings
from services.telemetry import Series
from services.timebase import SECOND_MS, Span

NOTHING_READ = Readings(np.empty(0, dtype=np.int64), np.empty(0))


@dataclass(frozen=True, slots=True, eq=False)
class Air:
    """What is known of the air, or of the warmest food, in one cabinet."""

    settings: UnitSettings
    readings: Readings
    cold: Readings
    """As limits that must not be passed downwards see them."""
    is_food: bool
    """True where a probe sits in the warmest spot: the readings are the food itself."""
    gap_ms: float
    interval_ms: float
    expected: tuple[Span, ...]
    told: tuple[str, ...]
    """What has to be said of the sensors."""
    ambient: Readings = NOTHING_READ
    """Of the air around the cabinet, where food stands that was taken out of it."""
    ambient_of: str = ""
    """Which unit measured it; empty where none did."""
    earlier: tuple[UnitSettings, ...] = ()
    """As the cabinet was described before, where other rules held while the food was in it."""

    def after(self, old: "Air") -> "Air":
        """Return the air with what was read before its own readings begin."""
        return replace(
            self,
            readings=self.readings.after(old.readings),
            cold=self.cold.after(old.cold),
            ambient=self.ambient.after(old.ambient),
            ambient_of=self.ambient_of or old.ambient_of,
        )


def air_of(
    series: Series,
    settings: UnitSettings,
    *,
    as_of_ms: int,
    checks: Sequence[SensorCheck] = (),
    expected: Sequence[Span] = (),
) -> Air:
    """Return what a cabinet's samples tell of what lies in it, judged as for the cabinet itself."""
    series, conflicts = merged(series)
    probed = settings.unit.sensor.position == "product"
    product = probed and bool(np.isfinite(series.numbers("product_c")).any())
    column = "product_c" if product else "cabinet_c"
    interval, _ = interval_s(series, column, settings, offline=False)
    gap_ms = gap_limit_ms(interval)
    quality = judged(series, settings, gap_ms=gap_ms, conflicts=conflicts, checks=checks, as_of_ms=as_of_ms)
    warm, cold = (
        (quality.product_c, quality.product_cold_c)
        if product
        else (quality.cabinet_c, quality.cabinet_cold_c)
    )
    ambient = Readings.of(series.t_ms, quality.ambient_c)
    return Air(
        settings=settings,
        readings=Readings.of(series.t_ms, warm),
        cold=Readings.of(series.t_ms, cold),
        is_food=probed,
        gap_ms=gap_ms,
        interval_ms=interval * SECOND_MS,
        expected=tuple(expected),
        told=quality.told,
        ambient=ambient,
        ambient_of=settings.unit.id if ambient.t_ms.size else "",
    )
