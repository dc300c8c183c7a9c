import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_sim.plant.battery import (
    OPEN_CIRCUIT_V,
    SOC_GRID,
    WellStep,
    acceptance_share,
    capacity_share,
    kibam_after,
    kibam_lifetime_h,
    kibam_limit_a,
    resistance_ohm,
    resistance_share,
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


@given(
    q1=st.floats(0.0, 70.0),
    q2=st.floats(0.0, 30.0),
    current_a=st.floats(-20.0, 20.0),
    hours=st.floats(0.005, 1.0),
)
def test_a_prepared_step_is_the_closed_form(q1, q2, current_a, hours):
    wells = np.array([q1]), np.array([q2])
    current = np.array([current_a])
    step = WellStep.of(hours=hours, share=np.array([0.7]), rate_per_h=np.array([1.0]))
    assert np.allclose(
        step.after(*wells, current), kibam_after(*wells, current, hours=hours, **STEP), atol=1e-9
    )


@given(lift=st.floats(-20.0, 20.0), current_a=st.floats(-5.0, 5.0))
def test_both_wells_may_be_counted_from_any_level(lift, current_a):
    """What lets temperature move the empty mark without moving charge."""
    current = np.array([current_a])
    low = kibam_after(np.array([30.0]), np.array([20.0]), current, hours=0.5, **STEP)
    high = kibam_after(
        np.array([30.0 + 0.7 * lift]), np.array([20.0 + 0.3 * lift]), current, hours=0.5, **STEP
    )
    assert high[0][0] - low[0][0] == pytest.approx(0.7 * lift, abs=1e-9)
    assert high[1][0] - low[1][0] == pytest.approx(0.3 * lift, abs=1e-9)


def test_lithium_follows_its_table_and_lead_its_line():
    degrees = np.array([-30.0, 0.0, 25.0, 60.0])
    assert capacity_share(degrees, lithium=True) == pytest.approx([0.55, 0.875, 1.0, 1.0])
    assert capacity_share(degrees, lithium=False) == pytest.approx([0.73, 0.85, 1.0, 1.15])


def test_the_cold_makes_lead_unwilling_and_lithium_refuse():
    degrees = np.array([-1.0, 5.0, 25.0, 60.0])
    assert acceptance_share(degrees, lithium=True).tolist() == [0.0, 1.0, 1.0, 1.0]
    assert acceptance_share(degrees, lithium=False) == pytest.approx([0.406, 0.5, 1.0, 1.5], abs=0.001)


def test_resistance_is_that_of_25_degrees_at_25_degrees():
    assert resistance_share(np.array([25.0]), per_k=0.023)[0] == pytest.approx(1.0)
