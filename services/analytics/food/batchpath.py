"""The way of one batch through cabinets and out of them, as air around its food from first to last."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from services.analytics.food import track as clock
from services.analytics.food.batchair import NOTHING_READ, Air
from services.analytics.food.freezing import Frozen
from services.analytics.food.intervals import Intervals
from services.analytics.food.lags import Memory
from services.analytics.food.outside import OUT_C, around
from services.domain import Life, Stay
from services.telemetry import FloatArray, IntArray
from services.timebase import Span


@dataclass(frozen=True, slots=True, eq=False)
class Segment:
    """A stretch of the way on which nothing changes but the air."""

    t_ms: IntArray
    air_c: FloatArray
    gap_ms: float
    is_food: bool
    freezes: bool
    core_c: float | None
    """What a probe in the core showed at its first sample; None: the food goes on as it was."""

    def goes_on_from(self, before: "Segment") -> bool:
        """Return whether this is the other one, perhaps with more samples."""
        count = before.t_ms.size
        return (
            (self.gap_ms, self.is_food, self.freezes, self.core_c)
            == (before.gap_ms, before.is_food, before.freezes, before.core_c)
            and count <= self.t_ms.size
            and bool(np.array_equal(self.t_ms[:count], before.t_ms))
            and bool(np.array_equal(self.air_c[:count], before.air_c))
        )


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """The whole way of a batch up to a moment."""

    segments: tuple[Segment, ...]
    out: Intervals
    """When it was out of any cabinet, by somebody's word."""
    dark: Intervals
    """When nothing is known of where it was, or of how warm it was there."""
    expected: Intervals
    """When samples are known to exist that have not arrived."""
    gap_ms: float
    """Of where it is now."""
    coarse_ms: float
    """The widest reporting interval of any cabinet it was in."""
    out_told: tuple[str, ...]
    """How the air around it was told while it was out."""

    @property
    def t_ms(self) -> IntArray:
        """Times at which something is known."""
        return np.concatenate([s.t_ms for s in self.segments]) if self.segments else np.empty(0, np.int64)


def path_of(life: Life, airs: Mapping[str, Air], *, as_of_ms: int, cold: bool = False) -> Path:
    """Return the way of a batch as it is known at a moment.

    Parameters
    ----------
    life : Life
        Where it was when, and what probes in its core showed.
    airs : mapping of str to Air
        By cabinet; of one that is missing nothing is known.
    as_of_ms : int
        "Now". [ms since 1970-01-01 UTC]
    cold : bool
        Whether limits are asked for that must not be passed downwards.
    """
    segments: list[Segment] = []
    out: list[tuple[float, float]] = []
    dark: list[tuple[float, float]] = []
    expected: list[tuple[float, float]] = []
    gap_ms, coarse_ms, freezes = np.inf, 0.0, False
    host, out_told = life.batch.unit, []
    for stay in life.stays:
        if stay.start_ms > as_of_ms:
            break
        end_ms = as_of_ms if stay.end_ms is None else min(stay.end_ms, as_of_ms)
        over = stay.end_ms is not None and stay.end_ms <= as_of_ms
        cores = _cores(life, stay, end_ms, over=over)
        air = airs.get(stay.unit) if stay.unit is not None else None
        if stay.out:
            out.append((stay.start_ms, end_ms))
            beside = airs.get(host) if host is not None else None
            found, told = _outside(stay, end_ms, cores, beside, over=over, freezes=freezes)
            out_told += told
        elif air is None:
            dark.append((stay.start_ms, end_ms))
            found = _unmeasured(cores, freezes=freezes)
            gap_ms = 0.0
        else:
            freezes = freezes or air.settings.unit.kind == "freezer" or stay.frozen
            found, unlit = _inside(air, stay, end_ms, cores, over=over, freezes=freezes, cold=cold)
            dark += unlit
            expected += [(s.start_ms, s.end_ms) for s in _within(air.expected, stay.start_ms, end_ms)]
            gap_ms, coarse_ms = air.gap_ms, max(coarse_ms, air.interval_ms)
        segments += found
        host = host if stay.unit is None else stay.unit
    return Path(
        segments=tuple(segments),
        out=_intervals(out),
        dark=_intervals(dark),
        expected=_intervals(expected),
        gap_ms=gap_ms,
        coarse_ms=coarse_ms,
        out_told=tuple(dict.fromkeys(out_told)),
    )


def _cores(life: Life, stay: Stay, end_ms: int, *, over: bool) -> dict[int, float]:
    """Return the warmest core that was measured at each moment of a stay."""
    found: dict[int, float] = {}
    for core in life.cores:
        if stay.start_ms <= core.t_ms < (end_ms - 1 if over else end_ms + 1):
            found[core.t_ms] = max(core.core_c, found.get(core.t_ms, core.core_c))
    return found


def _inside(
    air: Air, stay: Stay, end_ms: int, cores: dict[int, float], *, over: bool, freezes: bool, cold: bool
) -> tuple[list[Segment], list[tuple[float, float]]]:
    """Return a stay in a cabinet, and the parts of it nothing is known of at its two ends."""
    readings = air.cold if cold else air.readings
    times = readings.t_ms
    first = int(np.searchsorted(times, stay.start_ms, side="right"))
    last = int(np.searchsorted(times, end_ms - 1 if over else end_ms, side="left" if over else "right"))
    inner = times[first:last]
    dark: list[tuple[float, float]] = []
    before = int(times[first - 1]) if first else None
    after = int(times[first]) if first < times.size else None
    ends: list[int] = []
    lit_ms = end_ms if after is None else min(after, end_ms)
    if _in_gap(before, after, stay.start_ms, gap_ms=air.gap_ms):
        dark.append((stay.start_ms, lit_ms))
    if _near(before, after, stay.start_ms, gap_ms=air.gap_ms):
        ends.append(stay.start_ms)
    if over:
        prior = int(times[last - 1]) if last else None
        following = int(times[last]) if last < times.size else None
        begin = stay.start_ms if prior is None else max(prior, stay.start_ms)
        if _in_gap(prior, following, end_ms, gap_ms=air.gap_ms):
            dark.append((begin, end_ms))
        if _near(prior, following, end_ms, gap_ms=air.gap_ms) and end_ms - 1 > stay.start_ms:
            ends.append(end_ms - 1)
    points = _with_points(inner, sorted({*ends, *cores}))
    if readings.t_ms.size:
        around = np.interp(points.astype(np.float64), times.astype(np.float64), readings.value_c)
    else:
        around = np.array([cores[t] for t in points.tolist()])
    cut = _cut(points, np.asarray(around), cores, gap_ms=air.gap_ms, is_food=air.is_food, freezes=freezes)
    return cut, dark


def _with_points(t_ms: IntArray, extra: Sequence[int]) -> IntArray:
    """Return rising times with some more among them."""
    more = np.array(extra, dtype=np.int64)
    at = np.searchsorted(t_ms, more)
    known = np.append(t_ms, -1)[at] == more
    return np.insert(t_ms, at[~known], more[~known])


def _near(before: int | None, after: int | None, moment_ms: int, *, gap_ms: float) -> bool:
    """Return whether a reading is near enough to tell the air at a moment."""
    return any(t is not None and abs(t - moment_ms) <= gap_ms for t in (before, after))


def _in_gap(before: int | None, after: int | None, moment_ms: int, *, gap_ms: float) -> bool:
    """Return whether a moment lies in a gap: moving food cannot make known what was not."""
    if before is not None and after is not None:
        return after - before > gap_ms
    return not _near(before, after, moment_ms, gap_ms=gap_ms)


def _outside(
    stay: Stay, end_ms: int, cores: dict[int, float], beside: Air | None, *, over: bool, freezes: bool
) -> tuple[list[Segment], list[str]]:
    """Return a stay out of any cabinet, and how the air there was told; `beside` is where it came from."""
    last_ms = end_ms - 1 if over else end_ms
    found = around(NOTHING_READ if beside is None else beside.ambient, stay.start_ms, last_ms)
    told = [f"air there taken as {OUT_C:g} °C where nobody measured it"] if found.assumed else []
    if beside is not None and beside.ambient_of and found.t_ms.size > 1:
        told.append(f"air there as {beside.ambient_of} measured it around itself")
    points = {*found.t_ms.tolist(), *cores}
    if over and last_ms > stay.start_ms:
        points.add(last_ms)
    times = np.array(sorted(points), dtype=np.int64)
    return _cut(times, found.at(times), cores, gap_ms=np.inf, is_food=False, freezes=freezes), told


def _unmeasured(cores: dict[int, float], *, freezes: bool) -> list[Segment]:
    times = np.array(sorted(cores), dtype=np.int64)
    around = np.array([cores[t] for t in times.tolist()])
    return _cut(times, around, cores, gap_ms=0.0, is_food=False, freezes=freezes)


def _cut(
    t_ms: IntArray,
    air_c: FloatArray,
    cores: dict[int, float],
    *,
    gap_ms: float,
    is_food: bool,
    freezes: bool,
) -> list[Segment]:
    """Return a stay cut wherever a probe was put into the core."""
    if not t_ms.size:
        return []
    at = sorted({0, *(int(np.searchsorted(t_ms, t)) for t in cores)})
    edges = [*at, t_ms.size]
    return [
        Segment(
            t_ms=t_ms[a:b],
            air_c=air_c[a:b],
            gap_ms=gap_ms,
            is_food=is_food,
            freezes=freezes,
            core_c=cores.get(int(t_ms[a])),
        )
        for a, b in pairwise(edges)
        if b > a
    ]


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """A way with the food on it, up to its last sample."""

    segments: tuple[Segment, ...]
    track: clock.Track
    lags: FloatArray


def follow(
    path: Path, lines: tuple[clock.Line, ...], *, lags: FloatArray, before: Followed | None = None
) -> Followed:
    """Return the food on its way; `before`, what was followed up to now, spares the part that is the same.

    Streamed or all at once, the result is the same to the last bit.
    """
    done, track = 0, clock.start(lines, lags=lags, gap_ms=0.0)
    if before is not None and before.track.lines == lines and bool(np.array_equal(before.lags, lags)):
        same = len(before.segments)
        if same <= len(path.segments) and all(
            now.goes_on_from(then) for now, then in zip(path.segments, before.segments, strict=False)
        ):
            inner = zip(path.segments[: same - 1], before.segments[: same - 1], strict=True)
            if all(now.t_ms.size == then.t_ms.size for now, then in inner):
                done, track = same, before.track
    if done:
        seen = before.segments[-1].t_ms.size if before is not None else 0
        rest = path.segments[done - 1]
        track = clock.extend(track, rest.t_ms[seen:], rest.air_c[seen:])
    for segment in path.segments[done:]:
        track = _over(track, segment, lags)
    return Followed(path.segments, track, lags)


def _over(track: clock.Track, segment: Segment, lags: FloatArray) -> clock.Track:
    """Return the clock after one more segment."""
    if track.last_ms is not None and segment.t_ms[0] <= track.last_ms:
        later = int(np.searchsorted(segment.t_ms, track.last_ms, side="right"))
        segment = replace(segment, t_ms=segment.t_ms[later:], air_c=segment.air_c[later:])
        if not segment.t_ms.size:
            return track
    track = replace(track, gap_ms=segment.gap_ms)
    if track.last_ms is None:
        start_c = segment.air_c[0] if segment.core_c is None else segment.core_c
        track = _with(track, np.full(lags.size, start_c), segment, lags)
        return clock.extend(track, segment.t_ms, segment.air_c)
    track = clock.extend(track, segment.t_ms[:1], segment.air_c[:1])
    food = track.memory.now_c if track.lags.size else np.full(lags.size, track.newest_c[0])
    if segment.core_c is not None:
        food = np.full(lags.size, segment.core_c)
    elif segment.is_food == (not track.lags.size) and segment.freezes == (track.frozen is not None):
        return clock.extend(track, segment.t_ms[1:], segment.air_c[1:])
    track = _with(track, food, segment, lags)
    return clock.extend(track, segment.t_ms[1:], segment.air_c[1:])


def _with(track: clock.Track, food_c: FloatArray, segment: Segment, lags: FloatArray) -> clock.Track:
    """Return the clock with food of some temperatures, kept as the segment says."""
    if segment.is_food:
        return replace(track, lags=np.empty(0), frozen=None, memory=Memory.at(np.empty(0)))
    frozen = Frozen.of(lags) if segment.freezes else None
    return replace(track, lags=lags, frozen=frozen, memory=Memory.at(food_c))


def _within(spans: Sequence[Span], start_ms: int, end_ms: int) -> list[Span]:
    return [
        Span(max(s.start_ms, start_ms), min(s.end_ms, end_ms))
        for s in spans
        if min(s.end_ms, end_ms) > max(s.start_ms, start_ms)
    ]


def _intervals(pairs: Sequence[tuple[float, float]]) -> Intervals:
    return Intervals.of(
        np.array([float(a) for a, _ in pairs]),
        np.array([float(b) for _, b in pairs]),
    )
