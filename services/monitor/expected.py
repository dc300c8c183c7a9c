"""Silence that is accounted for: samples known to exist, and units that said when they call again."""

from collections.abc import Sequence

from services.store import UnitStatus
from services.timebase import HOUR_MS, SECOND_MS, Span

LONGEST_ANNOUNCED_MS = 6 * HOUR_MS
"""A unit's own word excuses no longer silence than this (judgement, no source)."""

_ASLEEP = "sleep"
"""The one state that excuses silence: the unit goes on measuring and keeps what it measured. A unit that is
on names its usual interval there, which explains no gap."""


def expected_spans(missing: Sequence[Span], status: UnitStatus | None) -> tuple[Span, ...]:
    """Return the stretches in which samples of a unit are expected to arrive yet.

    `missing` are those in which samples are known to exist that are not held.
    """
    spans = list(missing)
    if status is not None and status.s == _ASLEEP and status.next_s is not None:
        length_ms = min(round(status.next_s * SECOND_MS), LONGEST_ANNOUNCED_MS)
        if length_ms > 0:
            spans.append(Span(status.received_ms, status.received_ms + length_ms))
    return tuple(sorted(spans))
