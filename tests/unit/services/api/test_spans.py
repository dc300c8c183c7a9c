from datetime import UTC, datetime, timedelta

import pytest
from starlette.exceptions import HTTPException

from services.api.spans import span_of
from services.timebase import DAY_MS, Span, ms_of
from tests.helpers.larder import NOW_MS

MOMENT = datetime(2026, 3, 4, 12, tzinfo=UTC)


def test_without_a_word_it_is_the_last_day():
    assert span_of(None, None, now_ms=NOW_MS) == Span(NOW_MS - DAY_MS, NOW_MS)
    assert span_of(None, MOMENT, now_ms=NOW_MS) == Span(ms_of(MOMENT) - DAY_MS, ms_of(MOMENT))


def test_four_hundred_days_are_the_most():
    longest = timedelta(days=800)
    assert span_of(MOMENT - longest, MOMENT, now_ms=NOW_MS).end_ms == ms_of(MOMENT)
    with pytest.raises(HTTPException):
        span_of(MOMENT - longest - timedelta(milliseconds=1), MOMENT, now_ms=NOW_MS)


@pytest.mark.parametrize(
    ("start", "end"),
    [
        (MOMENT, MOMENT),
        (MOMENT + timedelta(seconds=1), MOMENT),
        (datetime(9999, 12, 30, tzinfo=UTC), datetime(9999, 12, 31, 23, 59, tzinfo=UTC)),
        (datetime(1, 1, 1, tzinfo=UTC), datetime(1, 1, 2, tzinfo=UTC)),
        (datetime(1969, 12, 31, tzinfo=UTC), datetime(1970, 1, 2, tzinfo=UTC)),
    ],
)
def test_a_span_that_makes_no_sense_is_refused(start, end):
    with pytest.raises(HTTPException) as refused:
        span_of(start, end, now_ms=NOW_MS)
    assert refused.value.status_code == 422
