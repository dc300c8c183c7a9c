"""What a bank's days taught, on a real SQLite file."""

import pytest

from services.records import taughtbook
from services.records.database import Database
from services.records.said import Taught
from services.timebase import DAY_MS

TODAY_MS = 20_000 * DAY_MS


def day(back, value="{}", bank="v3-aux agm"):
    return Taught(bank, TODAY_MS - back * DAY_MS, value)


@pytest.fixture
def session(tmp_path):
    database = Database(tmp_path / "records.db")
    with database.writing() as opened:
        yield opened
    database.close()


def carried(session, from_back=7, until_back=0, unit="v3-meat"):
    return taughtbook.carried(
        session, unit, from_ms=TODAY_MS - from_back * DAY_MS, until_ms=TODAY_MS - until_back * DAY_MS
    )


def keep(session, *taught, unit="v3-meat"):
    taughtbook.keep(session, unit, taught, now_ms=TODAY_MS)
    session.flush()


def test_nothing_is_kept_of_a_unit_never_judged(session):
    assert carried(session) is None


def test_the_oldest_day_of_the_window_is_carried_on(session):
    keep(session, day(9), day(5, '{"a":1}'), day(2))
    assert carried(session) == day(5, '{"a":1}')
    assert carried(session, unit="v3-ice") is None


def test_without_a_day_in_the_window_the_newest_before_is(session):
    keep(session, day(20), day(12))
    assert carried(session) == day(12)


def test_late_samples_go_back_to_a_day_before_them(session):
    keep(session, day(9), day(3))
    assert carried(session, until_back=4) == day(9)


def test_days_from_the_first_that_differs_on_are_replaced(session):
    keep(session, day(3, "1"), day(2, "2"), day(1, "3"))
    keep(session, day(3, "1"), day(2, "new"))
    assert carried(session, from_back=3) == day(3, "1")
    assert carried(session, from_back=2) == day(2, "new")
    assert carried(session, from_back=1).day_ms == TODAY_MS - 2 * DAY_MS


def test_the_same_days_again_change_nothing(session):
    keep(session, day(2, "2"), day(1, "3"))
    keep(session, day(2, "2"))
    assert carried(session, from_back=1) == day(1, "3")


def test_what_lies_far_back_goes(session):
    keep(session, day(80), day(3))
    keep(session, day(1))
    assert carried(session, from_back=100, until_back=10) is None


def test_nothing_taught_leaves_everything(session):
    keep(session, day(2))
    keep(session)
    assert carried(session) == day(2)
