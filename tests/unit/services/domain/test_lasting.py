from itertools import pairwise

import pytest

from services.domain.lasting import CHANCES, asked, chance_until
from services.timebase import HOUR_MS
from tests.helpers.larder import NO_BATTERY, NOW_MS, runout

EVEN = tuple(2.0 * k for k in range(1, len(CHANCES) + 1))


def chance(hours, found, **more):
    return chance_until(found, NOW_MS + round(hours * HOUR_MS), as_of_ms=NOW_MS, **more)


def test_the_chances_fall_and_the_hours_kept_give_them_back():
    assert all(one > two for one, two in pairwise(CHANCES))
    found = runout(lasts_hours=EVEN)
    for hours, told in zip(EVEN, CHANCES, strict=True):
        assert chance(hours, found) == pytest.approx(told)


def test_between_two_hours_a_straight_line_counts():
    found = runout(lasts_hours=EVEN)
    assert chance(1.0, found) == pytest.approx(0.995)
    assert chance(5.0, found) == pytest.approx((CHANCES[1] + CHANCES[2]) / 2)
    assert chance(EVEN[-1] + 0.1, found) == 0.0


def test_what_lies_past_the_horizon_is_never_told_as_less_than_was_worked_out():
    found = runout(lasts_hours=(100.0, 150.0))
    assert chance(150.0, found) == pytest.approx(CHANCES[1])
    assert CHANCES[2] < chance(160.0, found) < CHANCES[1]
    beyond = dict.fromkeys(("hours_p10", "hours_p50", "hours_p90"))
    why = {f"{name}_reason": "more than 168 h" for name in beyond}
    far = runout(reason="beyond_horizon", lasts_hours=(), **beyond, **why)
    assert chance(168.0, far) == pytest.approx(CHANCES[0])
    assert chance(168.0, runout(lasts_hours=())) is None


def test_a_moment_before_charging_ends_counts_as_if_it_ended_now():
    found = runout(lasts_hours=EVEN, reason="charging", if_charging_stops_at=NOW_MS + 10 * HOUR_MS)
    assert chance(10.0, found) == pytest.approx(CHANCES[4])
    assert chance(12.0, found) == pytest.approx(CHANCES[0])


def test_hours_gone_in_silence_leave_the_chance_that_is_left():
    found = runout(lasts_hours=(0.0, 0.0, 0.0, *EVEN[: len(CHANCES) - 3]))
    assert chance(0.5, found) == pytest.approx(CHANCES[2] - 0.25 * (CHANCES[2] - CHANCES[3]))


def test_nothing_is_told_without_a_forecast_or_of_moments_nobody_looks_at():
    assert chance(3.0, NO_BATTERY) is None
    assert chance(3.0, runout(lasts_hours=EVEN, reason="not_enough_data")) is None
    assert chance(0.0, runout(lasts_hours=EVEN)) is None
    assert chance(168.1, runout(lasts_hours=EVEN)) is None
    assert chance(3.0, runout(lasts_hours=(), reason="cut_out")) == 0.0


def test_an_answer_is_added_and_nothing_else_changes():
    found = runout(lasts_hours=EVEN)
    told = asked(found, NOW_MS + 4 * HOUR_MS, as_of_ms=NOW_MS)
    assert [one.name for one in told.lasts_until] == [*(o.name for o in found.lasts_until), "asked"]
    assert told.lasts_until[-1].chance == pytest.approx(CHANCES[1])
    assert told.model_copy(update={"lasts_until": found.lasts_until}) == found
    assert asked(NO_BATTERY, NOW_MS + HOUR_MS, as_of_ms=NOW_MS) is NO_BATTERY
