from zoneinfo import ZoneInfo

import pytest

from dashboards.reports import words


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (4.0, "4.0"),
        (4.25, "4.25"),
        (-18.125, "\N{MINUS SIGN}18.125"),
        (-0.0, "0.0"),
        (0.0, "0.0"),
        (100.0, "100.0"),
    ],
)
def test_a_reading_is_shown_as_it_is_kept(value, shown):
    assert words.exact(value) == shown


def test_minutes_that_are_more_than_nothing_never_read_as_nothing():
    assert words.minutes(0.0) == "0 min"
    assert words.minutes(0.004) == "0.1 min"
    assert words.minutes(73.34) == "73.3 min"


def test_everything_said_is_told_in_order_and_nothing_left_out():
    body = {
        "probe_c": 9.0,
        "disposition": "cooked_at_once",
        "reason": "soup",
        "note": "",
        "unit": None,
        "odd": 3,
    }
    assert words.body_words(body) == "probe 9.0 °C; disposition cooked at once; reason: soup; odd 3"


def test_a_zero_is_something_that_was_said():
    assert words.body_words({"probe_c": 0.0, "quantity": 0}) == "probe 0.0 °C; quantity 0"


def test_utc_names_its_day_where_it_is_another():
    zone = ZoneInfo("Africa/Lusaka")
    assert words.both_times(1_772_661_600_000, zone) == "2026-03-05 00:00:00 (03-04 22:00:00 UTC)"
    assert words.both_times(1_772_700_000_000, zone) == "2026-03-05 10:40:00 (08:40:00 UTC)"


def test_a_kind_nobody_gave_words_for_is_still_told():
    assert words.kind_words("put_back") == "Put back"


def test_a_no_is_something_that_was_said():
    assert words.body_words({"ready_to_eat": False, "withdrawn": True}) == "ready to eat: no; withdrawn: yes"


def test_minutes_in_a_statement_are_rounded_for_people():
    assert words.body_words({"minutes_above": 301.59707146809893}) == "minutes above 301.6 min"
