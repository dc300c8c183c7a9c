import pytest

from firmware_sim.plant.cable import cable_ohm


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
