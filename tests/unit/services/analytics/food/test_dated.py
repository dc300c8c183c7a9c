import numpy as np
import pytest

from services.analytics.food.dated import limit_periods, minutes_of_each
from services.analytics.food.entries import Readings
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS, unit


def at(minute):
    return MIDNIGHT_MS + minute * MINUTE_MS


def periods(*described, to=120):
    return limit_periods([(at(m), s) for m, s in described], from_ms=at(0), to_ms=at(to))


COOKED, POULTRY = unit(classes=("cooked",)), unit(classes=("poultry",))


def test_a_change_on_the_way_keeps_both_limits_with_their_times():
    found = periods((-500, COOKED), (60, POULTRY))
    assert [(p.limit.limit_c, p.from_ms, p.to_ms) for p in found] == [
        (5.0, at(0), at(60)),
        (4.0, at(60), at(120)),
    ]


def test_a_description_that_leaves_the_limit_as_it_was_changes_nothing():
    found = periods((0, COOKED), (60, unit(classes=("cooked",), load_kg=4)))
    assert [(p.from_ms, p.to_ms) for p in found] == [(at(0), at(120))]


def test_changes_outside_the_event_leave_no_empty_period():
    found = periods((-500, POULTRY), (-10, COOKED), (300, POULTRY))
    assert [(p.limit.limit_c, p.from_ms, p.to_ms) for p in found] == [(5.0, at(0), at(120))]


def test_minutes_are_told_for_each_limit_over_the_event_and_while_it_was_in_force():
    readings = Readings(np.array([at(m) for m in range(121)]), np.full(121, 4.5))
    cooked, poultry = minutes_of_each(
        readings, periods((0, COOKED), (60, POULTRY)), from_ms=at(0), to_ms=at(120), gap_ms=3 * MINUTE_MS
    )
    assert (cooked.minutes_above, cooked.minutes_above_in_force) == (0, 0)
    assert (poultry.minutes_above, poultry.minutes_above_in_force) == (120, 60)


def test_lower_limits_and_gaps_are_told_too():
    readings = Readings(np.array([at(0), at(10), at(60)]), np.array([1.0, 1.0, 3.0]))
    medicine = periods((0, unit(classes=("medicine",))), to=60)
    found = minutes_of_each(readings, medicine, from_ms=at(0), to_ms=at(60), gap_ms=15 * MINUTE_MS)
    low = next(f for f in found if f.period.limit.limit_c == 2.0)
    assert low.minutes_above == pytest.approx(10)
    assert low.minutes_unknown == pytest.approx(50)
