from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from services.analytics.food.datemark import batch_dates, last_day_of_use, local_day

LUSAKA = ZoneInfo("Africa/Lusaka")


def moment(text):
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def dates(now, **options):
    options = {
        "use_by": None,
        "opened_on": None,
        "frozen_spans": (),
        "ready_to_eat": True,
        "zone": UTC,
        **options,
    }
    return batch_dates(as_of_ms=moment(now), **options)


def test_a_day_is_a_day_at_the_site():
    assert local_day(moment("2026-06-01T22:30"), UTC) == date(2026, 6, 1)
    assert local_day(moment("2026-06-01T22:30"), LUSAKA) == date(2026, 6, 2)
    assert dates("2026-06-07T22:30", use_by=date(2026, 6, 7)).state == "last_day"
    assert dates("2026-06-07T22:30", use_by=date(2026, 6, 7), zone=LUSAKA).state == "past"


@pytest.mark.parametrize(
    ("now", "state", "left"),
    [
        ("2026-06-04T12:00", "in_date", 1),
        ("2026-06-05T12:00", "last_day", 0),
        ("2026-06-06T00:00", "past", -1),
    ],
)
def test_a_printed_date_always_counts(now, state, left):
    for ready in (True, False):
        found = dates(now, use_by=date(2026, 6, 5), ready_to_eat=ready)
        assert (found.state, found.days_left) == (state, left)


def test_the_day_mark_is_for_food_eaten_as_it_is():
    assert dates("2026-06-20T12:00", opened_on=date(2026, 6, 1)).state == "past"
    assert dates("2026-06-20T12:00", opened_on=date(2026, 6, 1), ready_to_eat=False).state == "none"


def test_the_earlier_end_decides():
    found = dates("2026-06-03T12:00", use_by=date(2026, 6, 4), opened_on=date(2026, 6, 1))
    assert found.last_day == date(2026, 6, 4)
    found = dates("2026-06-03T12:00", use_by=date(2026, 6, 30), opened_on=date(2026, 6, 1))
    assert found.last_day == date(2026, 6, 7)


def test_a_count_that_rests_has_no_last_day_and_freezing_does_not_move_a_printed_one():
    spans = [(moment("2026-06-03T10:00"), None)]
    resting = dates("2026-08-01T12:00", opened_on=date(2026, 6, 1), frozen_spans=spans)
    assert (resting.state, resting.last_day, resting.days_left) == ("in_date", None, 4)
    printed = dates("2026-08-01T12:00", use_by=date(2026, 6, 9), frozen_spans=spans)
    assert printed.state == "past"


def test_frozen_and_thawed_on_one_day_uses_that_day_once():
    assert last_day_of_use(date(2026, 6, 1), [(date(2026, 6, 3), date(2026, 6, 3))])[0] == date(2026, 6, 7)
    assert last_day_of_use(date(2026, 6, 1), [(date(2026, 6, 3), date(2026, 6, 4))])[0] == date(2026, 6, 7)
    assert last_day_of_use(date(2026, 6, 1), [(date(2026, 6, 3), date(2026, 6, 5))])[0] == date(2026, 6, 8)


def test_freezing_after_the_last_day_brings_no_day_back():
    spans = [(date(2026, 6, 9), None)]
    assert last_day_of_use(date(2026, 6, 1), spans) == (date(2026, 6, 7), 7)


def test_thawed_without_a_mark_ends_24_hours_later_to_the_minute():
    spans = [(moment("2026-06-03T10:00"), moment("2026-06-10T10:00"))]
    before = dates("2026-06-11T09:59", frozen_spans=spans)
    assert (before.state, before.until_ms) == ("last_day", moment("2026-06-11T10:00"))
    assert dates("2026-06-11T10:00", frozen_spans=spans).state == "past"
    frozen = dates("2026-06-05T10:00", frozen_spans=[(spans[0][0], None)])
    assert (frozen.state, frozen.last_day) == ("in_date", None)


def test_no_date_is_said_to_be_none():
    assert dates("2026-06-05T10:00").why == "no date given"


def test_a_count_that_never_ends_is_given_up():
    spans = [(date(2026, 6, 1), date(9999, 12, 31))]
    assert last_day_of_use(date(2026, 6, 1), spans) == (None, 1)


@pytest.mark.parametrize("ahead", [date(2026, 6, 2), date.max])
def test_a_day_mark_still_to_come_counts_as_today_and_lasts_no_longer(ahead):
    assert dates("2026-06-01T12:00", opened_on=ahead).last_day == date(2026, 6, 7)
