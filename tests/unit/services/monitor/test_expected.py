"""Silence that is accounted for."""

import pytest

from services.monitor.expected import LONGEST_ANNOUNCED_MS, expected_spans
from services.monitor.seen import Seen
from services.store import UnitStatus
from services.timebase import Span
from tests.helpers.house import MINUTE_MS, House, sample
from tests.helpers.made import NOON_MS


@pytest.fixture
def house(tmp_path):
    opened = House(tmp_path)
    yield opened
    opened.close()


def expected(house):
    return Seen(house.reader, ["v3-meat"], NOON_MS).expected("v3-meat")


def status(state, next_s):
    return UnitStatus("v3-meat", state, 1, next_s, None, NOON_MS)


def test_a_gap_in_the_numbers_is_a_known_backlog_from_neighbour_to_neighbour(house):
    house.hear([sample(k, NOON_MS + k * MINUTE_MS, 3.0) for k in (0, 1, 7, 8)], at_ms=NOON_MS)
    gap = Span(NOON_MS + MINUTE_MS, NOON_MS + 7 * MINUTE_MS)
    assert expected(house) == (gap,)
    house.hear([sample(k, NOON_MS + k * MINUTE_MS, 3.0) for k in range(2, 7)], at_ms=NOON_MS)
    assert expected(house) == ()


def test_silence_between_consecutive_numbers_is_nothing_to_expect(house):
    house.hear([sample(0, NOON_MS, 3.0), sample(1, NOON_MS + 300 * MINUTE_MS, 3.0)], at_ms=NOON_MS)
    assert expected(house) == ()


@pytest.mark.parametrize(
    ("said", "length_ms"),
    [
        (status("sleep", 3600), 3_600_000),
        (status("sleep", 90.0), 90_000),
        (status("sleep", 1e9), LONGEST_ANNOUNCED_MS),
    ],
)
def test_a_sleeping_unit_that_said_when_it_calls_again_is_expected_until_then(said, length_ms):
    assert expected_spans((), said) == (Span(NOON_MS, NOON_MS + length_ms),)


@pytest.mark.parametrize(
    "said",
    [
        status("off", 3600),
        status("lost", 3600),
        status("on", 3600),
        status("sleep", None),
        status("sleep", 0),
    ],
)
def test_a_unit_that_is_on_off_or_lost_or_gave_no_time_is_not(said):
    assert expected_spans((), said) == ()
