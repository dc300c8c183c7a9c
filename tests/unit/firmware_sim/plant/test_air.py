import numpy as np
import pytest

from firmware_sim.plant.air import (
    density_kg_per_m3,
    doorway_m3_per_s,
    enthalpy_kj_per_kg,
    saturated_kg_per_kg,
    saturated_quickly_kg_per_kg,
)


def test_saturated_air_holds_more_the_warmer_it_is_without_a_step_at_freezing():
    ratios = saturated_kg_per_kg(np.linspace(-40.0, 45.0, 800))
    assert np.all(np.diff(ratios) > 0.0)
    around = saturated_kg_per_kg(np.array([-1e-6, 0.0]))
    assert around[0] == pytest.approx(around[1], rel=1e-3)


def test_the_table_of_saturation_is_as_good_as_the_formula():
    temperatures = np.random.default_rng(4).uniform(-45.0, 50.0, 500)
    quick = saturated_quickly_kg_per_kg(temperatures)
    assert quick == pytest.approx(saturated_kg_per_kg(temperatures), rel=1e-3)


def test_moist_air_is_lighter_than_dry_air():
    temperature, vapour = np.array([35.0, 35.0]), np.array([0.0, 0.014])
    dry, moist = density_kg_per_m3(temperature, vapour)
    assert dry == pytest.approx(101_325.0 / (287.055 * 308.15))
    assert moist < dry


def test_vapour_carries_its_latent_heat():
    dry, moist = enthalpy_kj_per_kg(np.array([0.0, 0.0]), np.array([0.0, 0.010]))
    assert dry == 0.0
    assert moist == pytest.approx(25.01)


def _flow(inside, outside, *, height=1.2):
    arrays = {
        "area_m2": 0.66,
        "height_m": height,
        "inside_kg_per_m3": inside,
        "outside_kg_per_m3": outside,
    }
    return doorway_m3_per_s(**{name: np.array([value]) for name, value in arrays.items()})[0]


def test_nothing_passes_where_it_is_as_warm_inside_or_warmer():
    assert _flow(1.2, 1.2) == 0.0
    assert _flow(1.1, 1.2) == 0.0


def test_a_taller_or_colder_doorway_lets_more_pass():
    assert _flow(1.27, 1.14) > _flow(1.22, 1.14) > 0.0
    assert _flow(1.27, 1.14, height=2.4) == pytest.approx(np.sqrt(2.0) * _flow(1.27, 1.14))
