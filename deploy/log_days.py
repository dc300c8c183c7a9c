"""The numbers of an inspector's log: each day judged on its own, and every stretch beyond a limit."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from dashboards.reports.contents import (
    Day,
    DayLine,
    FloatArray,
    Hour,
    Passing,
    Readings,
    Regime,
    Spread,
    Stretch,
)
from services.analytics.assess import HISTORY_MS, assess
from services.analytics.quality import gap_limit_ms, interval_s
from services.domain import Analysis, Cutout, Episode, Exposure, SensorCheck, SensorFlag
from services.telemetry import IntArray, Series
from services.timebase import HOUR_MS, MINUTE_MS, Span, datetime_of, ms_of, utc_day_start_ms

REACH_MS = 6 * HOUR_MS
"""A pair of readings further apart than this never counts as above (design 3.3), so no reading that
comes later after midnight bears on the day before."""
_SAME_MIN = 0.01


@dataclass(frozen=True, slots=True)
class Ground:
    """What every day of a log is judged on."""

    series: Series
    """Also what was read before the period, as far as a judgement looks back."""
    regimes: tuple[Regime, ...]
    printed_ms: int
    offline: bool
    max_gap_s: float | None = None
    checks: tuple[SensorCheck, ...] = ()
    """Checks in melting ice that people wrote down."""


@dataclass
class Judged:
    """What came out of judging day after day."""

    days: list[Day] = field(default_factory=list)
    cutouts: dict[int, Cutout] = field(default_factory=dict)
    flags: list[SensorFlag] = field(default_factory=list)
    assumed: dict[str, None] = field(default_factory=dict)


def local_days(span: Span, zone: ZoneInfo) -> list[Span]:
    """Return a period cut at the midnights of a place."""
    edges = [span.start_ms]
    while True:
        day = datetime_of(edges[-1]).astimezone(zone).date() + timedelta(days=1)
        midnight = ms_of(datetime.combine(day, time(), tzinfo=zone))
        if midnight >= span.end_ms:
            break
        edges.append(midnight)
    edges.append(span.end_ms)
    return [Span(a, b) for a, b in pairwise(edges) if a < b]


def judge(ground: Ground, span: Span, zone: ZoneInfo) -> Judged:
    """Return every day of a period, each judged by every description that held in it."""
    done = Judged()
    for day in local_days(span, zone):
        _judge_day(ground, day, done)
    return done


def _judge_day(ground: Ground, day: Span, done: Judged) -> None:
    cabinet_ms = times_of(ground.series, "cabinet_c")
    lines: list[DayLine] = []
    missing: tuple[Span, ...] = ()
    for index, regime in enumerate(ground.regimes):
        if regime.span.end_ms <= day.start_ms or regime.span.start_ms >= day.end_ms:
            continue
        interval, _ = interval_s(ground.series, "cabinet_c", regime.settings, offline=ground.offline)
        gap_ms = gap_limit_ms(interval, ground.max_gap_s)
        missing = silent(cabinet_ms, day, gap_ms)
        end_ms = _as_of(cabinet_ms, day, ground.printed_ms)
        analysis = _analysed(ground, regime, day, end_ms)
        view = _DayView(day, end_ms, _crosses(cabinet_ms, day.end_ms, gap_ms), missing, analysis.sensors)
        below = {(row.rule, row.limit_c): row.below for row in regime.limits}
        for entry in analysis.exposure:
            under = below.get((entry.rule or "", entry.limit_c), False)
            lines.append(DayLine(index, under, view.of(entry)))
        done.cutouts |= {cutout.start: cutout for cutout in analysis.cutouts or ()}
        done.flags += analysis.sensors
        done.assumed |= dict.fromkeys(analysis.assumed)
    readings = ground.series.between(day.start_ms, day.end_ms)
    done.days.append(
        Day(
            span=day,
            readings=len(readings),
            cabinet_c=spread(readings.numbers("cabinet_c")),
            product_c=spread(readings.numbers("product_c")),
            silent=missing,
            lines=tuple(lines),
            hours=tuple(_hours(readings, day)),
        )
    )


def _as_of(times: IntArray, day: Span, printed_ms: int) -> int:
    """Return the first reading after a day where it bears on it, else the day's end.

    The line to that reading tells what happened between the last reading of the day and midnight.
    """
    after = int(np.searchsorted(times, day.end_ms))
    if after < times.size and int(times[after]) <= min(day.end_ms + REACH_MS, printed_ms):
        return int(times[after])
    return day.end_ms


def _crosses(times: IntArray, edge_ms: int, gap_ms: float) -> bool:
    """Return whether a gap without readings spans a moment."""
    after = int(np.searchsorted(times, edge_ms))
    if after in {0, times.size}:
        return True
    return bool(times[after] - times[after - 1] > gap_ms)


def _analysed(ground: Ground, regime: Regime, day: Span, end_ms: int) -> Analysis:
    window_ms = min(day.start_ms, utc_day_start_ms(end_ms) - HISTORY_MS)
    unit = regime.settings.unit.model_copy(update={"state": "in_use"})
    return assess(
        ground.series.between(window_ms, end_ms + 1),
        regime.settings.model_copy(update={"unit": unit}),
        as_of_ms=end_ms,
        clock_from_ms=day.start_ms,
        heard_from_ms=day.start_ms,
        offline=ground.offline,
        max_gap_s=ground.max_gap_s,
        checks=ground.checks,
    )


@dataclass(frozen=True, slots=True)
class _DayView:
    """Leaves in an entry nothing but what lies within a day."""

    day: Span
    end_ms: int
    """As-of time of the entries, not before the day's end."""
    gap_at_end: bool
    silent: tuple[Span, ...]
    flags: tuple[SensorFlag, ...]

    def of(self, entry: Exposure) -> Exposure:
        """Return an entry of the day alone."""
        kept = [e for e in (_within(episode, self.day) for episode in entry.episodes) if e is not None]
        above = sum(e.minutes for e in kept)
        unknown = self._unknown(entry, kept)
        changed: dict[str, object] = {
            "start": self.day.start_ms,
            "episodes": tuple(kept),
            "minutes_above": above,
            "minutes_unknown": unknown,
            "minutes_worst_case": above + unknown,
        }
        if entry.compliant is not None:
            changed["compliant"] = self._compliant(entry, above, unknown)
        return entry.model_copy(update=changed)

    def _unknown(self, entry: Exposure, kept: Sequence[Episode]) -> float:
        nothing_heard = sum(span.minutes for span in self.silent) >= self.day.minutes
        if entry.basis == "cabinet" or nothing_heard:
            spans = [*self.silent, *self._untrusted()]
            return _length_min(spans) - _overlap_min(spans, kept)
        beyond_min = (self.end_ms - self.day.end_ms) / MINUTE_MS
        if not self.gap_at_end or beyond_min <= 0.0:
            return entry.minutes_unknown
        above_min = sum(max(0, e.end - max(e.start, self.day.end_ms)) / MINUTE_MS for e in entry.episodes)
        return max(0.0, entry.minutes_unknown - (beyond_min - above_min))

    def _untrusted(self) -> list[Span]:
        """Return the stretches in which the cabinet's sensor was not to be trusted."""
        found = []
        for flag in self.flags:
            if flag.channel in {"cabinet", "cabinet_c"} and flag.flag in {"stuck", "out_of_range"}:
                start = max(flag.start, self.day.start_ms)
                end = min(self.day.end_ms if flag.end is None else flag.end, self.day.end_ms)
                found += [Span(start, end)] if start < end else []
        return found

    @staticmethod
    def _compliant(entry: Exposure, above: float, unknown: float) -> str:
        if above > _SAME_MIN:
            return "unknown" if entry.basis == "cabinet" else "no"
        return "unknown" if unknown > _SAME_MIN else "yes"


def _within(episode: Episode, day: Span) -> Episode | None:
    start, end = max(episode.start, day.start_ms), min(episode.end, day.end_ms)
    if end <= start:
        return None
    return episode.model_copy(update={"start": start, "end": end, "minutes": (end - start) / MINUTE_MS})


def _joined(spans: Iterable[Span]) -> list[Span]:
    """Return spans in order, those that touch as one."""
    found: list[Span] = []
    for span in sorted(spans):
        if found and span.start_ms <= found[-1].end_ms:
            found[-1] = Span(found[-1].start_ms, max(found[-1].end_ms, span.end_ms))
        else:
            found.append(span)
    return found


def _length_min(spans: Iterable[Span]) -> float:
    return sum(span.minutes for span in _joined(spans))


def _overlap_min(spans: Iterable[Span], episodes: Sequence[Episode]) -> float:
    shared = 0
    for span in _joined(spans):
        for e in episodes:
            shared += max(0, min(span.end_ms, e.end) - max(span.start_ms, e.start))
    return shared / MINUTE_MS


def times_of(series: Series, column: str) -> IntArray:
    """Return when a channel was measured."""
    return series.t_ms[np.isfinite(series.numbers(column))]


def silent(times: IntArray, span: Span, gap_ms: float) -> tuple[Span, ...]:
    """Return the parts of a span that lie between two readings too far apart, or beyond the last one."""
    first, last = (int(k) for k in np.searchsorted(times, [span.start_ms, span.end_ms]))
    before, after = (float(span.start_ms), float(span.end_ms)) if times.size else (-np.inf, np.inf)
    if first:
        before = float(times[first - 1])
    if last < times.size:
        after = float(times[last])
    edges = np.concatenate(([before], times[first:last], [after]))
    wide = np.flatnonzero(np.diff(edges) > gap_ms)
    found = [
        Span(round(max(edges[k], span.start_ms)), round(min(edges[k + 1], span.end_ms)))
        for k in wide.tolist()
    ]
    return tuple(found)


def spread(values: FloatArray) -> Spread | None:
    """Return lowest, mean and highest of what was measured; None when nothing was."""
    measured = values[np.isfinite(values)]
    if not measured.size:
        return None
    return Spread(float(measured.min()), float(measured.mean()), float(measured.max()))


def _hours(readings: Series, day: Span) -> Iterator[Hour]:
    for start in range(day.start_ms, day.end_ms, HOUR_MS):
        part = readings.between(start, min(start + HOUR_MS, day.end_ms))
        runs = part.numbers("compressor_on")
        runs = runs[np.isfinite(runs)]
        yield Hour(
            start_ms=start,
            readings=len(part),
            cabinet_c=spread(part.numbers("cabinet_c")),
            product_c=spread(part.numbers("product_c")),
            battery_v=spread(part.numbers("battery_v")),
            running_share=float(runs.mean()) if runs.size else None,
            supply=tuple(dict.fromkeys(str(s) for s in part.texts("supply") if s is not None)),
        )


def passings_of(days: Sequence[Day], *, cabinet: bool) -> list[Passing]:
    """Return every stretch beyond a limit that has a rule, put together again across midnights."""
    found: dict[tuple[int, str, float, bool, str], list[Passing]] = {}
    for day in days:
        for line in day.lines:
            entry = line.exposure
            if entry.rule is None or (entry.basis == "cabinet") is not cabinet:
                continue
            so_far = found.setdefault((line.regime, entry.rule, entry.limit_c, line.below, entry.basis), [])
            for episode in entry.episodes:
                passing = Passing(
                    regime=line.regime,
                    rule=entry.rule,
                    limit_c=entry.limit_c,
                    below=line.below,
                    basis=entry.basis,
                    span=Span(episode.start, episode.end),
                    peak_c=episode.peak_c,
                    mean_c=episode.mean_c,
                    source=entry.source,
                )
                if so_far and so_far[-1].span.end_ms == episode.start == day.span.start_ms:
                    so_far[-1] = _put_together(so_far[-1], passing)
                else:
                    so_far.append(passing)
    return sorted((p for group in found.values() for p in group), key=lambda p: (p.span, p.rule, p.limit_c))


def _put_together(first: Passing, second: Passing) -> Passing:
    one, two = first.span.minutes, second.span.minutes
    return replace(
        first,
        span=Span(first.span.start_ms, second.span.end_ms),
        peak_c=(min if first.below else max)(first.peak_c, second.peak_c),
        mean_c=(first.mean_c * one + second.mean_c * two) / (one + two),
    )


def stretches_of(
    passings: Sequence[Passing], readings: Readings, cutouts: Sequence[Cutout]
) -> tuple[Stretch, ...]:
    """Return time beyond any limit as unbroken stretches, with the readings taken in each."""
    found = []
    for span in _joined(p.span for p in passings):
        first, last = np.searchsorted(readings.t_ms, [span.start_ms, span.end_ms])
        found.append(
            Stretch(
                span=span,
                passings=tuple(p for p in passings if span.start_ms <= p.span.start_ms < span.end_ms),
                first_reading=int(first),
                last_reading=int(last),
                cutouts=tuple(c for c in cutouts if c.start < span.end_ms and _end_of(c) > span.start_ms),
            )
        )
    return tuple(found)


def _end_of(cutout: Cutout) -> float:
    return float("inf") if cutout.end is None else cutout.end


def flags_of(flags: Sequence[SensorFlag], span: Span) -> tuple[SensorFlag, ...]:
    """Return the sensor flags of a period, those that overlap put together."""
    found: list[SensorFlag] = []
    for flag in sorted(flags, key=lambda f: (f.channel, f.flag, f.start)):
        ends_ms = float("inf") if flag.end is None else flag.end
        if flag.start >= span.end_ms or ends_ms <= span.start_ms:
            continue
        last = (
            found[-1] if found and (found[-1].channel, found[-1].flag) == (flag.channel, flag.flag) else None
        )
        if last is None or (last.end is not None and flag.start > last.end):
            found.append(flag)
        elif last.end is not None and (flag.end is None or flag.end > last.end):
            found[-1] = last.model_copy(update={"end": flag.end, "end_reason": flag.end_reason})
    return tuple(sorted(found, key=lambda f: (f.start, f.channel, f.flag)))
