"""Plans beside the simulator's truth for the same trip: how far they are apart, and on which side.

We wrote both, so this is no outside check: it shows that a fast plan of ten-minute steps follows a plant of
half-minute steps, and that it errs on the careful side.
"""

import numpy as np
import pytest

from services.timebase import HOUR_MS
from tests.helpers.plan_and_truth import Case, compared, simulated

pytestmark = pytest.mark.integration

DRIVEN = {
    "usual": Case(),
    "leaky": Case(gain_w_per_k=1.0),
    "cool": Case(night_c=10, day_c=25),
    "small bank in the heat": Case(capacity_ah=70, gain_w_per_k=0.9, night_c=26, day_c=40),
    "warm drinks": Case(warm_kg=15),
    "lithium": Case(chemistry="lifepo4"),
    "freezer": Case(kind="freezer", set_point_c=-18, gain_w_per_k=0.5, cooling_w=45, capacity_ah=120),
}
PARKED = {
    "agm": Case(drives=(), capacity_ah=60, gain_w_per_k=0.9),
    "flooded": Case(drives=(), capacity_ah=90, gain_w_per_k=0.9, chemistry="flooded"),
    "lithium": Case(drives=(), capacity_ah=60, gain_w_per_k=0.9, chemistry="lifepo4"),
}
SOC_BELOW, SOC_ABOVE = 0.12, 0.07
"""Most a planned charge lies below and above the truth, at any hour; found -0.11 to +0.063."""
FOOD_K = 0.7
"""Found 0.54."""
DUTY = (1.0, 1.15)
"""Planned running over true: the plan's machine is the weaker one; found 1.02 to 1.12."""
INSIDE = 0.8
"""Least share of hours whose true charge lies in the planned range."""


@pytest.fixture(scope="module")
def truths(tmp_path_factory):
    return simulated([*DRIVEN.values(), *PARKED.values()], tmp_path_factory.mktemp("trucks"))


@pytest.mark.parametrize("name", DRIVEN)
def test_a_driven_trip_is_planned_within_the_stated_error(truths, name):
    found = compared(DRIVEN[name], truths[DRIVEN[name]])
    error = found.soc - found.true_soc
    assert found.soc_inside() >= INSIDE
    assert found.food_inside() == 1.0
    assert error.min() >= -SOC_BELOW
    assert error.max() <= SOC_ABOVE
    assert error.mean() <= 0.0
    assert np.abs(found.food_c - found.true_food_c).max() <= FOOD_K
    assert np.abs(found.air_c - found.true_air_c).max() <= 1.1
    assert DUTY[0] <= found.duty_ratio <= DUTY[1]


@pytest.mark.parametrize("name", PARKED)
def test_a_trip_without_driving_is_planned_to_cut_out_before_it_does(truths, name):
    found = compared(PARKED[name], truths[PARKED[name]])
    assert found.stopped_ms is not None
    assert not found.planned.holds
    start_ms = found.planned.hours[0].at
    true_h = (found.stopped_ms - start_ms) / HOUR_MS
    early_h = (found.planned.units[0].first_cutout - start_ms) / HOUR_MS
    cut = found.planned.banks[0].cutout_soc.p50
    middle_h = float(np.argmax(found.soc <= cut + 0.01)) + 1.0
    assert early_h < middle_h <= true_h
    assert middle_h > 0.75 * true_h
