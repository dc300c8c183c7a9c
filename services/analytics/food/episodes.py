"""Stretches beyond a limit as people read them; those that are over are worked out once."""

from dataclasses import dataclass

import numpy as np

from services.analytics.food.exposure import stretch_stats
from services.analytics.food.intervals import Intervals
from services.analytics.food.track import Curve
from services.domain import Episode
from services.timebase import MINUTE_MS


@dataclass(frozen=True, slots=True)
class Told:
    """Episodes with the stretches they were made of."""

    spans: Intervals
    episodes: tuple[Episode, ...]


NOTHING_TOLD = Told(Intervals.empty(), ())


def told(curve: Curve, spans: Intervals, *, below: bool, before: Told = NOTHING_TOLD) -> Told:
    """Return the episodes of one limit.

    `before` is what was told of the same curve when it was shorter: its episodes stand as far as
    their stretches do, which spares work and changes nothing.
    """
    same = min(len(spans), len(before.spans))
    kept = (spans.start_ms[:same] == before.spans.start_ms[:same]) & (
        spans.end_ms[:same] == before.spans.end_ms[:same]
    )
    same = same if kept.all() else int(np.argmin(kept))
    fresh = Intervals(spans.start_ms[same:], spans.end_ms[same:])
    return Told(spans, (*before.episodes[:same], *_episodes(curve, fresh, below=below)))


def _episodes(curve: Curve, spans: Intervals, *, below: bool) -> tuple[Episode, ...]:
    if not len(spans):
        return ()
    sign = -1.0 if below else 1.0
    values = curve.lowest_c if below else curve.highest_c
    stats = stretch_stats(curve.t_ms, sign * values, spans)
    return tuple(
        Episode.model_construct(
            start=round(start), end=round(end), minutes=(end - start) / MINUTE_MS, peak_c=peak, mean_c=mean
        )
        for start, end, peak, mean in zip(
            spans.start_ms.tolist(),
            spans.end_ms.tolist(),
            (sign * stats.peak_c).tolist(),
            (sign * stats.mean_c).tolist(),
            strict=True,
        )
    )
