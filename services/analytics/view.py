"""What is looked at for one unit, made ready once for every clock."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from services.analytics.food import entries as food
from services.analytics.food import lagfit
from services.analytics.food.kinetic import mean_kinetic_of
from services.analytics.food.lags import lags_ms
from services.analytics.food.limit import Limits
from services.analytics.food.rules import limits_of
from services.analytics.quality import Quality, gap_limit_ms, interval_s, judged, merged
from services.domain import SensorCheck, UnitSettings
from services.telemetry import Series
from services.timebase import DAY_MS, SECOND_MS, Span


@dataclass(frozen=True, slots=True)
class View:
    """What is looked at, made ready once for every clock."""

    series: Series
    quality: Quality
    limits: Limits
    cabinet: food.Readings
    product: food.Readings
    terms: food.Terms
    probe_terms: food.Terms
    """As `terms`, for the product channel, which a log may hold at its own interval."""
    interval_words: str | None
    fitted: lagfit.Fit | None
    """What the product probe taught of the food's lag, from whole days before the one looked at."""

    @staticmethod
    def of(
        series: Series,
        settings: UnitSettings,
        *,
        offline: bool,
        max_gap_s: float | None,
        heard_from_ms: int | None,
        expected: Sequence[Span],
        checks: Sequence[SensorCheck],
        as_of_ms: int,
        day_ms: int,
    ) -> "View":
        """Merge equal times, judge the readings and settle the terms they are counted by."""
        series, conflicts = merged(series)
        interval, words = interval_s(series, "cabinet_c", settings, offline=offline)
        probed, _ = interval_s(series, "product_c", settings, offline=offline)
        gap_ms = gap_limit_ms(interval, max_gap_s)
        quality = judged(
            series, settings, gap_ms=gap_ms, conflicts=conflicts, checks=checks, as_of_ms=as_of_ms
        )
        cabinet = food.Readings.of(series.t_ms, quality.cabinet_c)
        product = food.Readings.of(series.t_ms, quality.product_c)
        starts = [heard_from_ms, int(series.t_ms[0]) if len(series) else None]
        terms = food.Terms(
            gap_ms=gap_ms,
            interval_ms=interval * SECOND_MS,
            heard_ms=min((t for t in starts if t is not None), default=None),
            expected=tuple(expected),
            air=cabinet,
        )
        return View(
            series=series,
            quality=quality,
            limits=limits_of(settings),
            cabinet=cabinet,
            product=product,
            terms=terms,
            probe_terms=replace(
                terms, gap_ms=gap_limit_ms(probed, max_gap_s), interval_ms=probed * SECOND_MS
            ),
            interval_words=words,
            fitted=_fitted(cabinet, product, settings, day_ms=day_ms),
        )


FIT_MS = 3 * DAY_MS


def _fitted(
    cabinet: food.Readings, product: food.Readings, settings: UnitSettings, *, day_ms: int
) -> lagfit.Fit | None:
    """Return what a probe beside the modelled food teaches; the same for every as-of time of a day."""
    if not product.t_ms.size or settings.unit.sensor.position == "product" or settings.unit.kind == "freezer":
        return None
    air, probe = (
        np.s_[slice(*np.searchsorted(r.t_ms, (day_ms - FIT_MS, day_ms)))] for r in (cabinet, product)
    )
    return lagfit.fit(cabinet.t_ms[air], cabinet.value_c[air], product.t_ms[probe], product.value_c[probe])


def sides(view: View) -> tuple[tuple[Limits, food.Readings, food.Readings], ...]:
    """Return which limits are judged on which cabinet and product readings.

    A sensor that reads high hides cold: where checks in melting ice say so, limits that must not be
    passed downwards see lower readings than the others.
    """
    cold = tuple(limit for limit in view.limits.limits if limit.below)
    if not cold or not view.quality.two_sided:
        return ((view.limits, view.cabinet, view.product),)
    t_ms, quality = view.series.t_ms, view.quality
    warm = tuple(limit for limit in view.limits.limits if not limit.below)
    return (
        (replace(view.limits, limits=warm), view.cabinet, view.product),
        (
            replace(view.limits, limits=cold),
            food.Readings.of(t_ms, quality.cabinet_cold_c),
            food.Readings.of(t_ms, quality.product_cold_c),
        ),
    )


def clocks(view: View, settings: UnitSettings, *, since_ms: int) -> tuple[food.Clock, ...]:
    """Return the clocks that carry verdicts, on what the service would read."""
    heard = view.terms.heard_ms
    heard = None if heard is None else max(heard, since_ms)
    air = view.cabinet.since(since_ms)
    declared = lags_ms(settings.unit.food.load_kg)
    lags = declared if view.fitted is None else lagfit.narrowed(declared, view.fitted)
    return tuple(
        clock
        for limits, cabinet, product in sides(view)
        for clock in food.food_clocks(
            cabinet.since(since_ms),
            product.since(since_ms),
            limits,
            settings,
            replace(view.terms, heard_ms=heard, air=air),
            probe_terms=replace(view.probe_terms, heard_ms=heard, air=air),
            lags=lags,
        )
    )


def mean_kinetic(view: View, settings: UnitSettings) -> tuple[float | None, str | None]:
    """Return the mean kinetic temperature of medicine, of the readings nearest to it."""
    if "medicine" not in settings.classes:
        return None, "told of medicine only"
    probed = settings.unit.sensor.position == "product" and bool(view.product.t_ms.size)
    readings, terms = (view.product, view.probe_terms) if probed else (view.cabinet, view.terms)
    mean_c = mean_kinetic_of(readings.t_ms, readings.value_c, gap_ms=terms.gap_ms)
    return mean_c, "nothing measured" if mean_c is None else None
