"""A full judgement carried on by live samples: food clocks go on, everything else waits for the next one.

What is told is what `assess` tells of the same samples, word for word. Whatever may move a verdict, start or
end a food clock, or cast doubt on a sensor is not told here: then nothing is carried on, all is looked at.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from services.analytics import sensor_checks
from services.analytics.channel_faults import STUCK_BREAK_MS
from services.analytics.food import entries as food
from services.analytics.food import track
from services.analytics.food.answers import unit_answers
from services.analytics.food.exposure import line_parts
from services.analytics.food.kinetic import mean_kinetic_of
from services.analytics.food.limit import HOT_AIR_C, Limit
from services.analytics.quality import Corrections, impossible
from services.analytics.steady import Steady, Supplied
from services.analytics.view import View
from services.domain import Analysis, Exposure, SensorCheck, SensorFlag, UnitSettings
from services.telemetry import COLUMNS, IntArray, Series
from services.timebase import HOUR_MS, ms_of, utc_day_start_ms

MOST_ROWS = 64
"""More samples at once are no live ones."""
OF_A_WEEK = frozenset({"drift", "check_failed"})
"""Flags that no single reading begins or ends: they wait for the next full judgement."""
OF_THE_HOUR = frozenset({"stuck", "jump"})
"""Flags whose readings are compared with later ones."""
CELSIUS = ("cabinet_c", "product_c", "ambient_c", "evaporator_c")
COLD_CHANNELS = frozenset(COLUMNS[column].name for column in CELSIUS)


@dataclass(frozen=True, slots=True)
class Onward:
    """What the next samples need; never changed, only replaced."""

    analysis: Analysis
    settings: UnitSettings
    clock_from_ms: int | None
    clocks: tuple[food.Clock, ...]
    air: food.Clock
    marks: int
    """Limits of the air clock that are information only."""
    cabinet: food.Readings
    product: food.Readings
    corrections: tuple[Corrections, Corrections]
    """Of the cabinet sensor and of the product probe."""
    steady: Steady
    probe: Steady | None
    supplied: Supplied
    memo: food.Memo

    @property
    def last_ms(self) -> int:
        """Time of the newest sample."""
        return self.analysis.to

    @property
    def size(self) -> int:
        """Samples that are kept in memory for it."""
        return int(self.cabinet.t_ms.size)

    @property
    def limits(self) -> tuple[Limit, ...]:
        """Every limit of the unit."""
        return self.clocks[0].limits

    def warmest_since_c(self, moment_ms: int) -> float:
        """Return the highest reading after a moment, of the air or of the product probe, in °C."""
        found = (self.cabinet.since(moment_ms + 1).value_c, self.product.since(moment_ms + 1).value_c)
        return max(float(values.max(initial=-np.inf)) for values in found)

    def after(self, rows: Series, as_of_ms: int) -> "Onward | None":
        """Return the same after the newest samples, as of a moment; None where all has to be looked at."""
        if not self._in_order(rows, as_of_ms):
            return None
        sound = self._sound(rows)
        if sound is None:
            return None
        cabinet, product = (
            _corrected(rows, column, found)
            for column, found in zip(("cabinet_c", "product_c"), self.corrections, strict=True)
        )
        air = cabinet.after(self.cabinet)
        probed = product.after(self.product) if product.t_ms.size else self.product
        turn = food.Readings(air.t_ms[-rows.t_ms.size - 1 :], air.value_c[-rows.t_ms.size - 1 :])
        clocks = []
        for clock in (*self.clocks, self.air):
            by_probe = clock.basis == "probe" and self.product.t_ms.size
            fresh, heard = (product, probed) if by_probe else (cabinet, air)
            carried = _carried(clock, fresh, heard.t_ms, turn, as_of_ms=as_of_ms)
            if carried is None:
                return None
            clocks.append(carried)
        moved = replace(
            sound,
            clocks=tuple(clocks[:-1]),
            air=clocks[-1],
            cabinet=air,
            product=probed,
            memo=dict(self.memo),
        )
        return _told(moved, rows, as_of_ms)

    def _in_order(self, rows: Series, as_of_ms: int) -> bool:
        """Return whether samples follow the last one, on the same day, and none is from the future."""
        times = rows.t_ms
        if not 0 < times.size <= MOST_ROWS or times[0] <= self.last_ms or times[-1] > as_of_ms:
            return False
        same_day = utc_day_start_ms(as_of_ms) == utc_day_start_ms(self.analysis.as_of)
        return same_day and as_of_ms >= self.analysis.as_of and bool((times[1:] > times[:-1]).all())

    def _sound(self, rows: Series) -> "Onward | None":
        """Return where sensors and supply stand after some samples; None where one of them is in doubt."""
        for column in CELSIUS:
            if rows.has(column) and impossible(rows.numbers(column), column).any():
                return None
        if not np.isfinite(rows.numbers("cabinet_c")).all():
            return None
        steady = _followed(self.steady, rows, "cabinet_c")
        probe = self.probe
        if rows.has("product_c"):
            probe = None if probe is None else _followed(probe, rows, "product_c")
            if probe is None:
                return None
        supplied: Supplied | None = self.supplied
        for k in range(len(rows)):
            supplied = None if supplied is None else supplied.after(_row(rows, k))
        if steady is None or supplied is None:
            return None
        return replace(self, steady=steady, probe=probe, supplied=supplied)


NOWHERE = food.Readings(np.empty(0, dtype=np.int64), np.empty(0))


def told(
    clocks: Sequence[food.Clock],
    airs: Sequence[tuple[food.Clock, int]],
    settings: UnitSettings,
    *,
    as_of_ms: int,
    clock_from_ms: int | None,
    memo: food.Memo,
) -> list[Exposure]:
    """Return every limit on every basis: food clocks first, then the air with its marks."""
    entries = []
    for clock in clocks:
        entries += food.clock_entries(
            clock, settings, as_of_ms=as_of_ms, clock_from_ms=clock_from_ms, memo=memo
        )
    for air, marks in airs:
        entries += food.cabinet_entries(air, settings, as_of_ms=as_of_ms, marks=marks, memo=memo)
    return entries


def onward_of(
    analysis: Analysis,
    view: View,
    settings: UnitSettings,
    *,
    clocks: Sequence[food.Clock],
    airs: Sequence[tuple[food.Clock, int]],
    memo: food.Memo,
    clock_from_ms: int | None,
    checks: Sequence[SensorCheck],
) -> Onward | None:
    """Return what carries a judgement on; None where the next sample needs a look at everything anyway."""
    series = view.series
    if len(airs) != 1 or view.terms.expected or not len(series):
        return None
    last_ms, gap_ms = int(series.t_ms[-1]), view.terms.gap_ms
    air, marks = airs[0]
    if air.track.last_ms != last_ms or any(_is_silent(clock, analysis.as_of) for clock in (*clocks, air)):
        return None
    known = (*settings.unit.sensor.checks, *checks)
    if any(ms_of(check.at) > last_ms for check in known):
        return None
    break_ms = max(gap_ms, float(STUCK_BREAK_MS))
    steady = _steady(series, "cabinet_c", break_ms=break_ms)
    if steady is None or steady.t_ms != last_ms or any(_open(flag, last_ms) for flag in analysis.sensors):
        return None
    cut_out = analysis.runout.reason == "cut_out"
    cut_out |= any(cutout.end is None for cutout in analysis.cutouts or ())
    return Onward(
        analysis=analysis,
        settings=settings,
        clock_from_ms=clock_from_ms,
        clocks=tuple(clocks),
        air=air,
        marks=marks,
        cabinet=view.cabinet,
        product=view.product,
        corrections=view.quality.corrections,
        steady=steady,
        probe=_steady(series, "product_c", break_ms=break_ms),
        supplied=Supplied.of(series, settings, cut_out=cut_out),
        memo=memo,
    )


def _told(carried: Onward, rows: Series, as_of_ms: int) -> Onward | None:
    """Return it with its analysis brought up to date; None where a verdict or a food clock turned."""
    before = carried.analysis
    entries = told(
        carried.clocks,
        ((carried.air, carried.marks),),
        carried.settings,
        as_of_ms=as_of_ms,
        clock_from_ms=carried.clock_from_ms,
        memo=carried.memo,
    )
    verdict, words = food.headline(entries)
    newest_ms = int(rows.t_ms[-1])
    turned = any(
        _turned(old, new, was_ms=before.to, is_ms=newest_ms)
        for old, new in zip(before.exposure, entries, strict=True)
    )
    if turned or verdict is not before.verdict:
        return None
    changes: dict[str, object] = {
        "to": newest_ms,
        "as_of": as_of_ms,
        "samples": before.samples + len(rows),
        "verdict_why": words,
        "exposure": tuple(entries),
        "answers": unit_answers(
            next(clock for clock in carried.clocks if not clock.only_raises),
            carried.settings,
            verdict=(verdict, words),
            as_of_ms=as_of_ms,
            clock_from_ms=carried.clock_from_ms,
            ambient=NOWHERE,  # asked for after silence only
        ),
    }
    if before.mean_kinetic_c is not None:
        probed = carried.settings.unit.sensor.position == "product" and bool(carried.product.t_ms.size)
        clock, readings = (carried.clocks[0], carried.product) if probed else (carried.air, carried.cabinet)
        changes["mean_kinetic_c"] = mean_kinetic_of(
            readings.t_ms, readings.value_c, gap_ms=clock.track.gap_ms
        )
    return replace(carried, analysis=before.model_copy(update=changes))


def _is_silent(clock: food.Clock, as_of_ms: int) -> bool:
    last_ms = clock.track.last_ms
    return last_ms is None or as_of_ms - last_ms > clock.track.gap_ms


def _open(flag: SensorFlag, last_ms: int) -> bool:
    """Return whether the next readings decide on a flag."""
    if flag.flag in OF_A_WEEK or flag.channel not in COLD_CHANNELS:
        return False
    return flag.end is None or (flag.flag in OF_THE_HOUR and flag.end >= last_ms - HOUR_MS)


def _turned(before: Exposure, now: Exposure, *, was_ms: int, is_ms: int) -> bool:
    """Return whether a limit's verdict, or what the law says, turned, or a food clock began or stopped."""
    if (before.verdict, before.compliant) != (now.verdict, now.compliant):
        return True
    if before.basis == "cabinet":
        return False
    began = len(before.episodes) != len(now.episodes)
    return began or _runs(before, was_ms) != _runs(now, is_ms)


def _runs(entry: Exposure, newest_ms: int) -> bool:
    return bool(entry.episodes) and entry.episodes[-1].end >= newest_ms


def _row(rows: Series, k: int) -> Series:
    return Series(rows.t_ms[k : k + 1], {name: values[k : k + 1] for name, values in rows.columns.items()})


def _followed(steady: Steady, rows: Series, column: str) -> Steady | None:
    found: Steady | None = steady
    for t_ms, value in zip(rows.t_ms.tolist(), rows.numbers(column).tolist(), strict=True):
        if found is not None and not math.isnan(value):
            found = found.after(t_ms, value)
    return found


def _steady(series: Series, column: str, *, break_ms: float) -> Steady | None:
    values = series.numbers(column)
    return Steady.of(series.t_ms, np.where(impossible(values, column), np.nan, values), break_ms=break_ms)


def _corrected(rows: Series, column: str, found: Corrections) -> food.Readings:
    """Return readings as they are judged; see `quality.judged`."""
    low_k, _ = sensor_checks.offsets(found, rows.t_ms)
    return food.Readings.of(rows.t_ms, np.round(rows.numbers(column) + low_k, 3))


def _carried(
    clock: food.Clock, fresh: food.Readings, heard_ms: IntArray, air: food.Readings, *, as_of_ms: int
) -> food.Clock | None:
    """Return a clock after fresh readings; None where some of the time is, or becomes, unknown.

    `heard_ms` are the times of all its readings, the fresh ones included; `air` begins with the newest
    reading the clock has seen of it.
    """
    gap_ms, last_ms = clock.track.gap_ms, clock.track.last_ms
    moments = [*([] if last_ms is None else [last_ms]), *fresh.t_ms.tolist(), as_of_ms]
    if any(after - before > gap_ms for before, after in pairwise(moments)):
        return None
    went = track.extend(clock.track, fresh.t_ms, fresh.value_c)
    hot = line_parts(air.t_ms, air.value_c, limit_c=HOT_AIR_C, gap_ms=gap_ms).above
    evidence = tuple(
        replace(each, above=above, hot=each.hot.joined(hot), sample_ms=heard_ms)
        for each, above in zip(clock.evidence, went.above, strict=True)
    )
    return replace(clock, track=went, evidence=evidence)
