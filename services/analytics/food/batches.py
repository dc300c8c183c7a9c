"""The clocks of one batch of food over its whole life: they follow it, add up, and never begin anew."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from services.analytics.food import reasons
from services.analytics.food import track as clock
from services.analytics.food.batchair import Air
from services.analytics.food.batchfacts import (
    Warmth,
    assumed_of,
    extra_lines,
    food_now,
    frozen_limits,
    measured,
    warmth_of,
)
from services.analytics.food.batchleft import asks_now, left_out
from services.analytics.food.batchlimits import batch_limits, lowest_c
from services.analytics.food.batchpath import Followed, Path, follow, path_of
from services.analytics.food.cooling import Cooling
from services.analytics.food.cooling import cooling as cooled
from services.analytics.food.entries import COARSE_MS, sentence
from services.analytics.food.exposure import line_parts
from services.analytics.food.intervals import Intervals
from services.analytics.food.lags import lags_for
from services.analytics.food.limit import HOT_AIR_C, Limit
from services.analytics.food.verdicts import SAME_MIN, Evidence, Minutes, at, degrees, minutes_at, ranks, why
from services.domain import BatchClock, Life, Verdict

HOT_START_C = 57.0
"""Food that was this hot is cooked food on its way down (Food Code 3-501.14(A), 57 °C)."""
AT_START_MS = 30 * 60_000
"""How far from the start of cooling the reading may lie that shows it hot (judgement, no source)."""
_BASIS_WORDS = {"probe": "probe", "modelled_food": "food modelled from cabinet air"}


@dataclass(frozen=True, slots=True)
class BatchJudgement:
    """What the clocks of a batch say at one moment."""

    clocks: tuple[BatchClock, ...]
    verdict: Verdict
    why: str
    since_closed_min: float
    """Minutes above or unknown since the last sign-off, the most of any clock."""
    food_c: float | None
    basis: Literal["probe", "modelled_food"] | None
    curve: clock.Curve
    minutes_out: float
    """Of these, how long it has been out this time."""
    hot: bool
    cooling: Cooling | None
    lowest_limit_c: float
    """The strictest of the limits it is held to."""
    assumed: tuple[str, ...]
    warmth: Warmth | None
    """None for drinks and medicine."""
    frozen_limits: tuple[Limit, ...]
    """What the law asks of it as frozen food; none where it never was kept so."""
    followed: tuple[Followed, ...] = field(compare=False)
    """For the next judgement."""


def judge_batch(
    life: Life,
    airs: Mapping[str, Air],
    *,
    as_of_ms: int,
    before: Sequence[Followed] = (),
) -> BatchJudgement:
    """Return the clocks of a batch as of a moment: a pure function of its life and the readings.

    Minutes are counted over all its stays and everything it brought along; moving it, splitting it or
    cooling it again takes nothing away. Out of the cabinets all time counts as above a limit. The
    food is modelled from the air around it and starts at the core temperature a person measured, else
    at the air; a later reading of the core sets the model right from then on.

    Parameters
    ----------
    life : Life
        Where it was when, and what probes in its core showed.
    airs : mapping of str to Air
        By cabinet, over all of the batch's stays there.
    as_of_ms : int
        "Now"; a batch that is gone is judged as of its end. [ms since 1970-01-01 UTC]
    before : sequence of Followed
        `followed` of an earlier judgement, which spares work and changes nothing.
    """
    if life.batch.place == "gone":
        as_of_ms = min(as_of_ms, life.batch.since)
    limits, assumed = batch_limits(life, airs)
    cooling = _cooling(life, as_of_ms)
    lags = lags_for(life.batch.piece_kg)
    sides: list[_Side] = []
    kept = list(before)
    for cold in (False, True):
        own = tuple(limit for limit in limits if limit.below is cold)
        if own:
            path = path_of(life, airs, as_of_ms=as_of_ms, cold=cold)
            lines = tuple(clock.Line(limit.counted_from_c, below=cold) for limit in own)
            lines += () if cold else extra_lines(life)
            earlier = next((f for f in kept if f.track.lines == lines), None)
            sides.append(_Side(own, path, follow(path, lines, lags=lags, before=earlier)))
    found = [
        _clock(life, airs, side, index, as_of_ms=as_of_ms, cooling=cooling)
        for side in sides
        for index in range(len(side.limits))
    ]
    top = max(found, key=lambda one: (one.clock.verdict.rank, one.clock.minutes_worst_case))
    side = sides[0]
    food_c, basis = food_now(life, side.path, side.followed.track, as_of_ms)
    frozen = frozen_limits(limits)
    return BatchJudgement(
        clocks=tuple(one.clock for one in found),
        verdict=top.clock.verdict,
        why=sentence(top.clock.rule, top.clock.why),
        since_closed_min=max(one.since_closed_min for one in found),
        food_c=food_c,
        basis=basis,
        curve=side.followed.track.whole_curve,
        minutes_out=0.0 if life.out_from_ms is None else max(0, as_of_ms - life.out_from_ms) / 60_000,
        hot=any(one.hot for one in found),
        cooling=cooling,
        lowest_limit_c=lowest_c(life, limits),
        assumed=tuple(dict.fromkeys((*assumed, *assumed_of(life, airs, [s.path for s in sides])))),
        warmth=warmth_of(
            life,
            side.path,
            side.followed.track,
            as_of_ms=as_of_ms,
            frozen_limit_c=frozen[0].limit_c if frozen else None,
        ),
        frozen_limits=frozen,
        followed=tuple(s.followed for s in sides),
    )


@dataclass(frozen=True, slots=True)
class _Side:
    """Limits of one direction with the way of the food they are judged on."""

    limits: tuple[Limit, ...]
    path: Path
    followed: Followed


@dataclass(frozen=True, slots=True)
class _Judged:
    clock: BatchClock
    since_closed_min: float
    hot: bool


def _clock(
    life: Life, airs: Mapping[str, Air], side: _Side, index: int, *, as_of_ms: int, cooling: Cooling | None
) -> _Judged:
    limit, path, track = side.limits[index], side.path, side.followed.track
    gone = left_out(life, airs, limit, as_of_ms=as_of_ms, cooling=cooling)
    evidence = _evidence(life, limit, path, track, index, as_of_ms=as_of_ms, gone=gone)
    hot_air = _hot(path, as_of_ms)
    evidence = replace(evidence, hot=hot_air)
    moment = np.array([float(as_of_ms)])
    bare = minutes_at(evidence, moment, clock_from_ms=None, reach_ms=np.inf)
    minutes = _with_carried(life, limit, bare)
    coarse = path.coarse_ms > COARSE_MS
    rank = int(ranks(limit, minutes, coarse=coarse)[0])
    asked = asks_now(life, airs, limit, as_of_ms=as_of_ms, cooling=cooling)
    warm = _warm_core(life, limit, as_of_ms) if asked else None
    if warm is not None:
        rank = max(rank, Verdict.WATCH.rank)
    verdict = at(rank)
    basis = _BASIS_WORDS["probe" if measured(life, airs) else "modelled_food"]
    told = why(limit, minutes, verdict, basis=basis, coarse=coarse)
    if warm is not None:
        told = f"{told}; a probe in it showed {degrees(warm)}"
    above, unknown = float(minutes.above[0]), float(minutes.unknown[0])
    peak_c = _peak_c(life, limit, side, as_of_ms)
    closed_ms = None if life.closed is None else life.closed.t_ms
    since = minutes_at(evidence, moment, clock_from_ms=closed_ms, reach_ms=np.inf)
    return _Judged(
        BatchClock(
            rule=limit.rule,
            limit_c=limit.limit_c,
            minutes_above=above,
            minutes_unknown=unknown,
            minutes_worst_case=above + unknown,
            peak_c=peak_c,
            compliant=_compliant(limit, minutes, warm) if limit.law else None,
            verdict=verdict,
            reasons=reasons.rows(
                limit,
                above_min=above,
                unknown_min=unknown,
                hot=bool(minutes.hot[0]),
                peak_c=peak_c,
                basis=basis,
            ),
            source=limit.source,
            why=told,
        ),
        since_closed_min=0.0 if closed_ms is None else float(since.worst_case[0]),
        hot=bool(minutes.hot[0]),
    )


def _evidence(
    life: Life,
    limit: Limit,
    path: Path,
    track: clock.Track,
    index: int,
    *,
    as_of_ms: int,
    gone: Intervals,
) -> Evidence:
    """Return what one clock is made of, time out of the cabinets and in the dark included.

    `gone` is the time the limit does not ask about.
    """
    above, unknown = track.above[index], track.unknown[index].union(path.dark)
    if not limit.below:
        above = above.union(path.out)
    unknown = unknown.without(above).without(path.out)
    above, unknown = above.without(gone), unknown.without(gone)
    known = path.t_ms
    told = life.out_from_ms is not None or life.batch.place == "gone"
    if told and known.size and known[-1] < as_of_ms:
        known = np.append(known, as_of_ms)  # somebody said where it is
    return Evidence(
        above=above,
        unknown=unknown,
        expected=path.expected,
        hot=Intervals.empty(),
        sample_ms=known,
        heard_ms=life.batch.loaded_at,
        gap_ms=path.gap_ms,
    )


def _hot(path: Path, as_of_ms: int) -> Intervals:
    """Return when the air around it was above 32.2 °C, as far as it was measured."""
    found = Intervals.empty()
    for segment in path.segments:
        if not segment.is_food and bool((segment.air_c > HOT_AIR_C).any()):
            parts = line_parts(segment.t_ms, segment.air_c, limit_c=HOT_AIR_C, gap_ms=segment.gap_ms)
            found = found.union(parts.above)
    return found.clipped(-np.inf, float(as_of_ms))


def _with_carried(life: Life, limit: Limit, minutes: Minutes) -> Minutes:
    """Return the minutes with those it brought along."""
    if limit.below or limit.frozen:
        return minutes
    batch = life.batch
    return replace(
        minutes,
        above=minutes.above + batch.carried_above_min,
        unknown=minutes.unknown + batch.carried_unknown_min,
        hot=minutes.hot | batch.carried_hot,
    )


def _warm_core(life: Life, limit: Limit, as_of_ms: int) -> float | None:
    """Return what the newest reading of the core showed, where it lies beyond a limit."""
    if limit.guard or (limit.frozen and not life.batch.frozen):
        return None
    known = [core for core in life.cores if core.t_ms <= as_of_ms]
    if not known:
        return None
    newest = known[-1].core_c  # in order of time, then as said
    beyond = newest < limit.limit_c if limit.below else newest > limit.limit_c
    return newest if beyond else None


def _peak_c(life: Life, limit: Limit, side: _Side, as_of_ms: int) -> float | None:
    curve = side.followed.track.whole_curve
    values = curve.lowest_c if limit.below else curve.highest_c
    cores = [core.core_c for core in life.cores if core.t_ms <= as_of_ms]
    extreme = min if limit.below else max
    known = [*cores, *([float(extreme(values))] if values.size else [])]
    return extreme(known) if known else None


def _compliant(limit: Limit, minutes: Minutes, warm: float | None) -> Literal["yes", "no", "unknown"]:
    allowed = limit.lawful_min + SAME_MIN
    if float(minutes.above[0]) > allowed or (warm is not None and limit.lawful_min == 0.0):
        return "no"
    doubt = float(minutes.worst_case[0]) > allowed or bool(minutes.silent[0]) or bool(minutes.awaited[0])
    return "unknown" if doubt else "yes"


def _cooling(life: Life, as_of_ms: int) -> Cooling | None:
    """Return where the cooling of cooked food stands, None when nobody started it."""
    started = life.cooling_from_ms
    if started is None or started > as_of_ms:
        return None
    readings = [(c.t_ms, c.core_c) for c in life.cores if c.t_ms >= started - AT_START_MS]
    hot = any(c >= HOT_START_C and abs(t - started) <= AT_START_MS for t, c in readings)
    found = cooled(readings, as_of_ms=as_of_ms, started_ms=started)
    # without a reading that shows it hot nothing says that it is cooked food on its way down
    return found if hot else replace(found, outcome="unknown") if found.outcome == "running" else found
