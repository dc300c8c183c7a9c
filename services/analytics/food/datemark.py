"""Days a batch may be kept: the use-by printed on it and the day mark of what was opened or made here."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Literal

from services.timebase import HOUR_MS

KEEP_DAYS = 7
"""US FDA Food Code 2022, 3-501.17: day of preparation or opening is day 1 (read in a secondary copy)."""
THAWED_MS = 24 * HOUR_MS
"""Minnesota's poster to 3-501.17: frozen without a mark of days used, serve within 24 h of thawing or
discard (read in a secondary copy)."""
MARK_SOURCE = (
    "US FDA Food Code 2022, 3-501.17 and 3-501.18: 7 days at 5 °C or less, frozen days not counted "
    "(read in secondary copies)"
)
THAWED_SOURCE = (
    "3-501.17 as Minnesota explains it: without a day mark within 24 h of thawing (read in a secondary copy)"
)
PRINTED_SOURCE = "the date printed by the maker"

Dated = Literal["none", "in_date", "last_day", "past"]
_LONGEST_D = 3660
"""Ten years: an end for the count of days."""


@dataclass(frozen=True, slots=True)
class DateAnswer:
    """Where a batch stands in its days."""

    state: Dated
    last_day: date | None
    """Last day of use; None where none is known, or while the count rests in the freezer."""
    days_left: int | None
    until_ms: int | None
    """The moment it ends where that is not the end of a day."""
    source: str
    why: str


def local_day(t_ms: int, zone: tzinfo) -> date:
    """Return the calendar day a moment falls on at the site."""
    return datetime.fromtimestamp(t_ms / 1000, UTC).astimezone(zone).date()


def last_day_of_use(
    day_one: date, frozen: Sequence[tuple[date, date | None]], *, keep_days: int = KEEP_DAYS
) -> tuple[date | None, int]:
    """Return the last day of use and the days used up before a rest that has not ended.

    Parameters
    ----------
    day_one : date
        Day it was prepared or opened: day 1.
    frozen : sequence of (date, date or None)
        Day it was frozen and day it was taken out, None while it is frozen. Both days count as
        used; only the days between do not.
    keep_days : int
        Days it may be used.

    Returns
    -------
    tuple of (date or None) and int
        None while it is frozen with days left; the days used so far then.

    References
    ----------
    .. [1] US FDA Food Code 2022, 3-501.17(A)-(C), read in a state adoption: freezing stops the count
       and never starts it anew.
    """
    used, day = 0, day_one
    for _ in range(_LONGEST_D):
        resting = [(a, b) for a, b in frozen if a < day and (b is None or day < b)]
        if any(b is None for _, b in resting):
            return None, used
        if not resting:
            used += 1
            if used == keep_days:
                return day, used
        day += timedelta(days=1)
    return None, used


def batch_dates(
    *,
    use_by: date | None,
    opened_on: date | None,
    frozen_spans: Sequence[tuple[int, int | None]],
    zone: tzinfo,
    as_of_ms: int,
    ready_to_eat: bool,
) -> DateAnswer:
    """Return how a batch stands in its days; of several ends the first decides.

    A printed use-by always counts and freezing does not move it. The day mark counts for
    ready-to-eat food only; such food frozen without one has 24 h from thawing.
    """
    today = local_day(as_of_ms, zone)
    frozen = [(local_day(a, zone), None if b is None else local_day(b, zone)) for a, b in frozen_spans]
    ends: list[DateAnswer] = []
    if use_by is not None:
        ends.append(_by_day(use_by, today, PRINTED_SOURCE, f"use by {use_by.isoformat()}"))
    if ready_to_eat and opened_on is not None:
        ends.append(_marked(opened_on, frozen, today))
    elif ready_to_eat and frozen_spans:
        ends.append(_thawed(frozen_spans, zone, as_of_ms))
    if not ends:
        return DateAnswer("none", None, None, None, "", "no date given")
    order: tuple[Dated, ...] = ("past", "last_day", "in_date", "none")
    return min(ends, key=lambda end: (order.index(end.state), end.last_day or date.max))


def _by_day(last: date, today: date, source: str, words: str) -> DateAnswer:
    left = (last - today).days
    if left < 0:
        return DateAnswer("past", last, left, None, source, f"{words}: past, discard")
    if left == 0:
        return DateAnswer("last_day", last, left, None, source, f"{words}: today is the last day")
    days = "1 day" if left == 1 else f"{left} days"
    return DateAnswer("in_date", last, left, None, source, f"{words}: {days} left")


def _marked(opened_on: date, frozen: Sequence[tuple[date, date | None]], today: date) -> DateAnswer:
    # a day still to come is a slip of the pen, which must not make food last longer
    opened_on = min(opened_on, today)
    last, used = last_day_of_use(opened_on, frozen)
    if last is None:
        why = f"frozen with {used} of {KEEP_DAYS} days used: the count rests"
        return DateAnswer("in_date", None, KEEP_DAYS - used, None, MARK_SOURCE, why)
    return _by_day(
        last, today, MARK_SOURCE, f"day 1 was {opened_on.isoformat()}, day 7 is {last.isoformat()}"
    )


def _thawed(frozen_spans: Sequence[tuple[int, int | None]], zone: tzinfo, as_of_ms: int) -> DateAnswer:
    thawed = [end for _, end in frozen_spans]
    if any(end is None or end > as_of_ms for end in thawed):
        why = "frozen without a day mark: serve within 24 h once it is thawed"
        return DateAnswer("in_date", None, None, None, THAWED_SOURCE, why)
    until_ms = min(end for end in thawed if end is not None) + THAWED_MS
    last = local_day(until_ms, zone)
    if as_of_ms >= until_ms:
        return DateAnswer(
            "past", last, 0, until_ms, THAWED_SOURCE, "thawed more than 24 h ago without a day mark"
        )
    why = "thawed without a day mark: serve within 24 h of thawing"
    return DateAnswer("last_day", last, 0, until_ms, THAWED_SOURCE, why)
