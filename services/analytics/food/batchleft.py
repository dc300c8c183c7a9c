"""The time in a batch's life that a limit does not ask about, because another clock decides there."""

from collections.abc import Mapping

import numpy as np

from services.analytics.food.batchair import Air
from services.analytics.food.cooling import Cooling
from services.analytics.food.elapsed import time_control_of
from services.analytics.food.intervals import Intervals
from services.analytics.food.limit import Limit
from services.domain import TIME_CONTROL_RULES, Life

ADDS_COOLING = frozenset(("fsanz-3.2.2",))
"""Rules toward whose minutes cooling counts unless an operator leaves it out (`cooling_counts = false`).

R638 regulation 8(4)(a)(i) and Food Code 3-501.16 leave cooling out. Standard 3.2.2 clause 7(3) gives it
2 h and 4 h of its own, so it is normally not added to the 2-hour/4-hour rule; but no text was read that
says so in words (from memory), so that the stricter answer holds until somebody decides otherwise.
"""


def left_out(
    life: Life, airs: Mapping[str, Air], limit: Limit, *, as_of_ms: int, cooling: Cooling | None
) -> Intervals:
    """Return the time that a limit does not ask about: thawed, cooling in its stages, held by time alone."""
    pairs: list[tuple[float, float]] = []
    if limit.frozen and life.batch.food_class != "ice_cream":
        # the line of frozen food counts while it is kept as frozen food
        kept = [(a, as_of_ms if b is None else b) for a, b in life.frozen_spans]
        edges = [-np.inf, *(t for span in kept for t in span), np.inf]
        pairs += list(zip(edges[::2], edges[1::2], strict=True))
    started = life.cooling_from_ms
    if cooling is not None and started is not None and not _adds_cooling(airs, limit) and not limit.frozen:
        cold = [c.t_ms for c in life.cores if started <= c.t_ms <= as_of_ms and c.core_c <= limit.limit_c]
        if cooling.outcome == "pass" and cold:
            # the model is hot until the reading that shows the end of it
            pairs.append((float(started), float(min(cold))))
        elif cooling.outcome == "running":
            pairs.append((float(started), float(as_of_ms)))
    if life.time_control is not None and _by_time_alone(life, limit, as_of_ms):
        pairs.append((float(life.time_control.started_ms), float(as_of_ms)))
    return Intervals.of(np.array([a for a, _ in pairs]), np.array([b for _, b in pairs]))


def asks_now(
    life: Life, airs: Mapping[str, Air], limit: Limit, *, as_of_ms: int, cooling: Cooling | None
) -> bool:
    """Return whether the newest reading of the core is held against a limit."""
    cools = cooling is not None and cooling.outcome == "running" and not _adds_cooling(airs, limit)
    return not cools and not _by_time_alone(life, limit, as_of_ms)


def _adds_cooling(airs: Mapping[str, Air], limit: Limit) -> bool:
    return limit.rule in ADDS_COOLING and any(air.settings.unit.food.cooling_counts for air in airs.values())


def _by_time_alone(life: Life, limit: Limit, as_of_ms: int) -> bool:
    """Return whether a limit gives way to time control; only the document that knows it does."""
    known = limit.rule in TIME_CONTROL_RULES and not limit.frozen
    return known and time_control_of(life, as_of_ms=as_of_ms) is not None
