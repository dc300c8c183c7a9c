import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_sim.plant.battery import (
    OPEN_CIRCUIT_V,
    SOC_GRID,
    kibam_after,
    kibam_lifetime_h,
    kibam_limit_a,
    resistance_ohm,
    wells_of,
)

STEP = {"share": 0.7, "rate_per_h": 1.0}


@given(
    q1=st.floats(1.0, 70.0),
    q2=st.floats(1.0, 30.0),
    current_a=st.floats(-20.0, 20.0),
    hours=st.floats(0.001, 3.0),
)
def test_both_wells_together_lose_what_was_taken(q1, q2, current_a, hours):
    after = kibam_after(np.array([q1]), np.array([q2]), np.array([current_a]), hours=hours, **STEP)
    assert sum(after)[0] == pytest.approx(q1 + q2 - current_a * hours, abs=1e-9)


@given(current_a=st.floats(-5.0, 5.0), split=st.floats(0.05, 0.95))
def test_two_parts_of_a_step_equal_the_whole(current_a, split):
    start, current = (np.array([40.0]), np.array([20.0])), np.array([current_a])
    whole = kibam_after(*start, current, hours=1.0, **STEP)
    middle = kibam_after(*start, current, hours=split, **STEP)
    parts = kibam_after(*middle, current, hours=1.0 - split, **STEP)
    assert np.allclose(whole, parts, atol=1e-9)


def test_a_resting_battery_settles_to_even_heights():
    q1, q2 = kibam_after(np.array([10.0]), np.array([30.0]), np.array([0.0]), hours=100.0, **STEP)
    assert q1[0] == pytest.approx(28.0)
    assert q2[0] == pytest.approx(12.0)


def test_the_limit_current_just_empties_the_available_well():
    q1, q2 = np.array([30.0]), np.array([20.0])
    limit = kibam_limit_a(q1, q2, hours=0.5, **STEP)
    assert kibam_after(q1, q2, limit, hours=0.5, **STEP)[0][0] == pytest.approx(0.0, abs=1e-9)


def test_breaks_give_more_than_a_steady_load():
    steady = kibam_lifetime_h(full_ah=100.0, load=((1.0, 30.0),), **STEP)
    broken = kibam_lifetime_h(full_ah=100.0, load=((1.0, 30.0), (1.0, 0.0)), **STEP)
    assert broken / 2.0 > steady


@pytest.mark.parametrize("chemistry", sorted(OPEN_CIRCUIT_V))
def test_rest_voltage_rises_with_charge(chemistry):
    assert len(OPEN_CIRCUIT_V[chemistry]) == SOC_GRID.size
    assert np.all(np.diff(OPEN_CIRCUIT_V[chemistry]) > 0.0)


def test_resistance_rises_as_the_battery_empties_and_stays_finite_when_empty():
    found = resistance_ohm(np.full(4, 5e-3), np.array([1.0, 0.5, 0.2, 0.0]), exponent=1.05)
    assert found[0] == pytest.approx(5e-3)
    assert np.all(np.diff(found) > 0.0)
    assert np.isfinite(found[-1])


def test_lithium_is_nearly_one_well():
    assert wells_of("lifepo4").available_share > wells_of("agm").available_share
