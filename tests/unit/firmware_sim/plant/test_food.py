import numpy as np
import pytest

from firmware_sim.plant.food import enthalpy_kj_per_kg, temperature_of


@pytest.mark.parametrize(
    ("temperature_c", "content"),
    [
        (-30.0, 20.6),
        (-20.0, 42.9),
        (-18.0, 47.9),
        (-10.0, 72.7),
        (-5.0, 104.1),
        (-2.0, 175.9),
        (-1.0, 288.0),
        (0.0, 291.6),
    ],
)
def test_lean_beef_follows_the_handbook_equation(temperature_c, content):
    """Chen (1985), worked from the equation as remembered; to the last digit given."""
    assert enthalpy_kj_per_kg(np.array([temperature_c]))[0] == pytest.approx(content, abs=0.06)


@pytest.mark.parametrize("temperature_c", [-35.0, -18.0, -5.5, -3.0, -1.4, -1.01, -0.5, 4.0, 25.0])
def test_temperature_comes_back_from_heat_content(temperature_c):
    content = enthalpy_kj_per_kg(np.array([temperature_c]))
    assert temperature_of(content)[0] == pytest.approx(temperature_c, abs=0.02)


def test_heat_content_only_rises():
    assert np.all(np.diff(enthalpy_kj_per_kg(np.linspace(-39.0, 40.0, 2000))) > 0.0)
