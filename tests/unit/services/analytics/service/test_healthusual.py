import pytest

from services.analytics.service.healthusual import FEWEST_DAYS, begun_ms, usual_of
from services.domain import HealthDay, HealthTable, ServiceMark
from services.timebase import DAY_MS
from tests.helpers.cabinet_days import FIRST_MS, HOUR_MS, settings


def table(duties, word=lambda _: "here", marks=lambda _: ()):
    return HealthTable(
        tuple(
            HealthDay(
                day=FIRST_MS + n * DAY_MS, measured_on=word(n), hours_seen=24.0, duty=duty, marks=marks(n)
            )
            for n, duty in enumerate(duties)
        )
    )


def usual(of, marks=(), **described):
    end = FIRST_MS + 100 * DAY_MS
    return {each.feature: each for each in usual_of(of, marks, settings(**described), as_of_ms=end)}


def test_the_usual_is_of_the_first_days_and_does_not_follow_a_later_change():
    found = usual(table([0.3] * 21 + [0.9] * 40))["duty"]
    assert (found.low, found.middle, found.high, found.days) == (0.3, 0.3, 0.3, 21)
    assert found.last == FIRST_MS + 20 * DAY_MS


def test_a_freezer_is_compared_with_more_days():
    assert usual(table([0.3] * 60), kind="freezer")["duty"].days == 35


def test_work_begins_it_anew_on_the_day_after():
    mark = ServiceMark(at=FIRST_MS + 30 * DAY_MS + 5 * HOUR_MS, kind="service")
    of = table([0.3] * 31 + [0.5] * 20)
    assert begun_ms(of, [mark], as_of_ms=FIRST_MS + 90 * DAY_MS) == FIRST_MS + 31 * DAY_MS
    assert usual(of, [mark])["duty"].middle == 0.5
    # work that is still to come says nothing yet
    assert begun_ms(of, [mark], as_of_ms=mark.at) == 0


def test_another_description_begins_it_anew():
    of = table([0.3] * 20 + [0.6] * 10, word=lambda n: "here" if n < 20 else "there")
    assert usual(of)["duty"].middle == 0.6


def test_days_that_are_not_the_machines_doing_are_left_out():
    of = table([0.3, 0.9] * 15, marks=lambda n: ("warm_load",) if n % 2 else ())
    assert usual(of)["duty"].high == pytest.approx(0.3)


def test_too_few_days_have_no_usual():
    assert usual(table([0.3] * (FEWEST_DAYS - 1))) == {}
