"""What is told of a batch beside its clocks: how warm it is and was after freezing, what was assumed."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from services.analytics.food import track as clock
from services.analytics.food.batchair import Air
from services.analytics.food.batchpath import Path
from services.analytics.food.intervals import Intervals
from services.analytics.food.limit import FREEZER_MARKS_C, Limit
from services.analytics.food.outage import OVER_40F_C
from services.analytics.food.verdicts import degrees
from services.domain import CoreReading, FoodClass, Life, MarkMinutes
from services.timebase import MINUTE_MS

SETTLES_MS = 30 * MINUTE_MS
"""A probe put into food this soon after time nobody can tell of shows how warm it had become in it
(judgement, no source): later it may have been cooled again."""
NEVER_FOOD: frozenset[FoodClass] = frozenset(("drinks", "medicine"))


@dataclass(frozen=True, slots=True)
class Warmth:
    """How warm food became since it was frozen through, or in its whole life where it never was."""

    frozen_from_ms: int | None
    """Since when it is known to have been frozen through; None: never."""
    warmest_c: float | None
    over_40f_min: float
    """Minutes above 40 °F in its whole life, with those it brought along."""
    unknown_min: float
    """Minutes nobody can tell of, all of them."""
    unsettled_min: float
    """Of these, the minutes that no probe reading at their end has settled."""
    measured_c: float | None
    """What the newest reading showed that settled some of them."""
    ice_seen: bool | None
    """What the newest look for ice in it found; None: nobody looked since it was frozen through."""
    silent_ms: int
    """How long nothing has been heard of it up to now; 0 while something is."""
    marks: tuple[MarkMinutes, ...]


def extra_lines(life: Life) -> tuple[clock.Line, ...]:
    """Return the lines that are followed beside the limits: 40 °F, and the marks of what was frozen."""
    if life.batch.food_class in NEVER_FOOD:
        return ()
    marks = FREEZER_MARKS_C if life.frozen_spans else ()
    return tuple(clock.Line(c) for c in (OVER_40F_C, *marks))


def warmth_of(
    life: Life, path: Path, track: clock.Track, *, as_of_ms: int, frozen_limit_c: float | None
) -> Warmth | None:
    """Return how warm food became; None for what is no food.

    Parameters
    ----------
    life : Life
        Where it was when, and what probes in its core showed.
    path, track : Path and Track
        Its way and the food on it, `extra_lines` last.
    as_of_ms : int
        "Now". [ms since 1970-01-01 UTC]
    frozen_limit_c : float or None
        Strictest limit of frozen food: at or below it, food is frozen through. [°C]
    """
    lines = extra_lines(life)
    if not lines:
        return None
    first = len(track.lines) - len(lines)
    whole = Intervals(np.array([float(life.batch.loaded_at)]), np.array([float(as_of_ms)]))
    above = track.above[first].union(path.out)
    silent_ms = _silent_ms(life, path, as_of_ms)
    tail = Intervals(np.array([float(as_of_ms - silent_ms)]), np.array([float(as_of_ms)]))
    unknown = track.unknown[first].union(path.dark).union(tail).without(above)
    frozen_ms = _frozen_from_ms(life, track, frozen_limit_c)
    unknown = unknown.clipped(-np.inf if frozen_ms is None else float(frozen_ms), float(as_of_ms))
    unsettled, measured_c = _unsettled(life, unknown, as_of_ms)
    batch = life.batch
    return Warmth(
        frozen_from_ms=frozen_ms,
        warmest_c=_warmest_c(life, track, frozen_ms, as_of_ms),
        over_40f_min=_minutes(above, whole) + batch.carried_above_min,
        unknown_min=_minutes(unknown, whole) + batch.carried_unknown_min,
        unsettled_min=_minutes(unsettled, whole) + batch.carried_unknown_min,
        measured_c=measured_c,
        ice_seen=_ice_seen(life, above.union(unknown), as_of_ms),
        silent_ms=silent_ms,
        marks=_marks(life, path, track, lines, frozen_ms=frozen_ms, as_of_ms=as_of_ms),
    )


def _minutes(found: Intervals, within: Intervals) -> float:
    return float(found.minutes_between(within.start_ms, within.end_ms)[0])


def _silent_ms(life: Life, path: Path, as_of_ms: int) -> int:
    """Return how long nothing is known of it; what a person says to be out is known to be warm."""
    if life.out_from_ms is not None or life.batch.place == "gone":
        return 0
    known = path.t_ms
    lapsed = as_of_ms - (int(known[-1]) if known.size else life.batch.loaded_at)
    return lapsed if lapsed > path.gap_ms else 0


def _frozen_from_ms(life: Life, track: clock.Track, frozen_limit_c: float | None) -> int | None:
    """Return since when it was frozen through: from the start where it came as frozen food."""
    if life.stays and life.stays[0].frozen:
        return life.stays[0].start_ms
    curve = track.whole_curve
    for start_ms, end_ms in life.frozen_spans:
        a = int(np.searchsorted(curve.t_ms, start_ms))
        b = curve.t_ms.size if end_ms is None else int(np.searchsorted(curve.t_ms, end_ms))
        through = np.flatnonzero(
            curve.highest_c[a:b] <= (-np.inf if frozen_limit_c is None else frozen_limit_c)
        )
        if through.size:
            return int(curve.t_ms[a + int(through[0])])
    return None


def _warmest_c(life: Life, track: clock.Track, from_ms: int | None, as_of_ms: int) -> float | None:
    curve = track.whole_curve
    since_ms = life.batch.loaded_at if from_ms is None else from_ms
    values = curve.highest_c[int(np.searchsorted(curve.t_ms, since_ms)) :]
    cores = [core.core_c for core in life.cores if since_ms <= core.t_ms <= as_of_ms]
    return max([*cores, *([float(values.max())] if values.size else [])], default=None)


def _ice_seen(life: Life, doubt: Intervals, as_of_ms: int) -> bool | None:
    """Return what somebody who looked for ice saw, as far as it still tells.

    Ice that was seen before the last time above 40 °F, or the last time nobody can tell of, or long after
    it, when it may have formed again, tells nothing; that there was none stays true.
    """
    looks = sorted((c for c in life.cores if c.ice is not None and c.t_ms <= as_of_ms), key=lambda c: c.t_ms)
    if not looks:
        return None
    newest = looks[-1]
    if newest.ice is False:
        return False
    fresh = len(doubt) and abs(newest.t_ms - float(doubt.end_ms[-1])) <= SETTLES_MS
    return True if fresh else None


def _unsettled(life: Life, unknown: Intervals, as_of_ms: int) -> tuple[Intervals, float | None]:
    """Return the unknown time no person's probe has settled, and what the newest that did showed."""
    keep = np.ones(len(unknown), dtype=bool)
    settled: CoreReading | None = None
    for k, (start_ms, end_ms) in enumerate(zip(unknown.start_ms, unknown.end_ms, strict=True)):
        found = [
            c for c in life.cores if start_ms < c.t_ms <= as_of_ms and abs(c.t_ms - end_ms) <= SETTLES_MS
        ]
        if found:
            settled = max(found, key=lambda core: core.t_ms)
            keep[k] = settled.core_c > OVER_40F_C
    left = Intervals(unknown.start_ms[keep], unknown.end_ms[keep])
    return left, None if settled is None else settled.core_c


def _marks(
    life: Life,
    path: Path,
    track: clock.Track,
    lines: Sequence[clock.Line],
    *,
    frozen_ms: int | None,
    as_of_ms: int,
) -> tuple[MarkMinutes, ...]:
    """Return the minutes above each mark since it was frozen through, as long as it was kept frozen."""
    if frozen_ms is None:
        return ()
    first = len(track.lines) - len(lines) + 1
    kept = [(max(a, frozen_ms), as_of_ms if b is None else min(b, as_of_ms)) for a, b in life.frozen_spans]
    starts, ends = (np.array([float(pair[k]) for pair in kept if pair[1] > pair[0]]) for k in (0, 1))
    return tuple(
        MarkMinutes(
            above_c=line.limit_c,
            minutes=float(np.sum(track.above[first + k].union(path.out).minutes_between(starts, ends))),
        )
        for k, line in enumerate(lines[1:])
    )


def frozen_limits(limits: Sequence[Limit]) -> tuple[Limit, ...]:
    """Return what the law asks of frozen food, the strictest first."""
    return tuple(sorted((x for x in limits if x.frozen and x.law and not x.guard), key=lambda x: x.limit_c))


def measured(life: Life, airs: Mapping[str, Air]) -> bool:
    """Return whether a probe sits in the warmest spot of every cabinet it was in."""
    units = {stay.unit for stay in life.stays if stay.unit is not None}
    return bool(units) and all(unit in airs and airs[unit].is_food for unit in units)


def food_now(
    life: Life, path: Path, track: clock.Track, as_of_ms: int
) -> tuple[float | None, Literal["probe", "modelled_food"] | None]:
    """Return the warmest the core is thought to be, None where nothing tells any more."""
    curve = track.whole_curve
    core: CoreReading | None = max(
        (c for c in life.cores if c.t_ms <= as_of_ms), key=lambda c: c.t_ms, default=None
    )
    if not curve.t_ms.size or life.out_from_ms is not None or as_of_ms - curve.t_ms[-1] > path.gap_ms:
        return None, None
    fresh = core is not None and core.t_ms >= int(curve.t_ms[-1])
    if fresh and core is not None:
        return core.core_c, "probe"
    last = path.segments[-1]
    return float(curve.highest_c[-1]), "probe" if last.is_food else "modelled_food"


def assumed_of(life: Life, airs: Mapping[str, Air], paths: Sequence[Path]) -> Iterator[str]:
    """Yield what had to be assumed to follow a batch."""
    batch = life.batch
    if batch.core_c is None and batch.received_c is not None:
        yield f"food starts at the {degrees(batch.received_c)} it was received at: nobody measured it since"
    elif batch.core_c is None and not measured(life, airs):
        yield "food starts at the air of the cabinet it was put into"
    if batch.piece_kg is None:
        yield "size of the largest piece not given: every size is looked at"
    out = list(dict.fromkeys(words for path in paths for words in path.out_told))
    if any(len(path.out) for path in paths):
        yield "; ".join(["time out of a cabinet counts in full", *out])
    if batch.carried_above_min > 0 or batch.carried_unknown_min > 0:
        yield "brought along the minutes of the cabinet it came from"
    units = [stay.unit for stay in life.stays if stay.unit is not None]
    for unit in dict.fromkeys(units):
        if unit in airs:
            yield from airs[unit].told
