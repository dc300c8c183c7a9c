import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_sim.plant.cable import cable_ohm, load_a, load_v


def test_twice_the_length_is_twice_the_resistance():
    one = cable_ohm(length_m=3.0, section_mm2=6.0)
    assert cable_ohm(length_m=6.0, section_mm2=6.0) == pytest.approx(2.0 * one)


def test_heat_raises_it():
    assert cable_ohm(length_m=3.0, section_mm2=6.0, temperature_c=60.0) > cable_ohm(
        length_m=3.0, section_mm2=6.0, temperature_c=20.0
    )


def test_a_section_nobody_sells_is_refused():
    with pytest.raises(KeyError):
        cable_ohm(length_m=3.0, section_mm2=5.0)


def _behind(source_v, load_w, path_ohm, least_v=8.4):
    arrays = {"path_ohm": np.array([path_ohm]), "least_v": np.array([least_v])}
    volts = load_v(np.array([source_v]), np.array([load_w]), **arrays)
    return volts[0], load_a(volts, np.array([load_w]), least_v=arrays["least_v"])[0]


@given(
    source_v=st.floats(0.0, 15.0),
    load_w=st.floats(0.0, 300.0),
    path_ohm=st.floats(0.0, 0.6),
)
def test_what_the_path_drops_is_its_current_times_its_resistance(source_v, load_w, path_ohm):
    volts, amps = _behind(source_v, load_w, path_ohm)
    assert source_v - volts == pytest.approx(amps * path_ohm, abs=1e-9)
    assert volts >= 0.0


def test_above_the_least_voltage_a_load_gets_its_power():
    volts, amps = _behind(12.6, 50.0, 0.1)
    assert volts * amps == pytest.approx(50.0)


def test_a_load_behind_too_much_resistance_fades_instead_of_having_no_answer():
    volts, amps = _behind(12.0, 200.0, 0.5)
    assert 0.0 < volts < 8.4
    assert volts * amps < 200.0


def test_without_supply_no_current_flows():
    assert _behind(0.0, 50.0, 0.05) == (0.0, 0.0)
