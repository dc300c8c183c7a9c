"""Which span of time a question is about."""

from datetime import datetime

from starlette.exceptions import HTTPException

from services.timebase import DAY_MS, Span, ms_of, ms_of_iso

LONGEST_MS = 800 * DAY_MS
"""Two years and their edges: hourly roll-ups make them cheap to read."""
_EARLIEST_MS = 0
_LATEST_MS = ms_of_iso("2200-01-01T00:00:00Z")
"""Beyond it no clock of ours is right, and calendars end before the largest integer does."""


def span_of(start: datetime | None, end: datetime | None, *, now_ms: int, usual_ms: int = DAY_MS) -> Span:
    """Return the span asked for: by default up to now, and a day long.

    Raises
    ------
    HTTPException
        422 when it does not run forward, is longer than 800 days, or no calendar holds it.
    """
    end_ms = now_ms if end is None else ms_of(end)
    start_ms = end_ms - usual_ms if start is None else ms_of(start)
    if not 0 < end_ms - start_ms <= LONGEST_MS:
        raise HTTPException(422, "`to` must lie after `from`, and by no more than 800 days.")
    if start_ms < _EARLIEST_MS or end_ms > _LATEST_MS:
        raise HTTPException(422, "`from` and `to` must lie between 1970 and 2200.")
    return Span(start_ms, end_ms)
