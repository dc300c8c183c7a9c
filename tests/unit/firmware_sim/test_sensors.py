import numpy as np
import pytest

from firmware_sim.sensors import RESOLUTION, cabinet_read_by, shown

STEPS, UNITS = 200, 3


@pytest.fixture
def true():
    rng = np.random.default_rng(5)
    air_c = rng.normal(3.0, 1.0, (STEPS, UNITS))
    return {
        "air_c": air_c,
        "food_c": air_c - 0.5,
        "unit_v": rng.normal(12.5, 0.2, (STEPS, UNITS)),
        "on": rng.random((STEPS, UNITS)) > 0.5,
        "probe_c": np.full((STEPS, UNITS), 4.44),
    }


def _noise(column, sigma=0.05):
    return {column: np.random.default_rng(6).normal(0.0, sigma, (STEPS, UNITS))}


def test_a_reading_is_the_truth_to_its_least_digit(true):
    for column, name in (("cabinet_c", "air_c"), ("battery_v", "unit_v")):
        read = shown(column, true, {}, {})
        assert np.max(np.abs(read - true[name])) <= RESOLUTION[column] / 2 + 1e-9
        digits = read / RESOLUTION[column]
        assert np.allclose(digits, np.round(digits))


def test_what_is_on_or_off_has_no_digits(true):
    assert np.array_equal(shown("compressor_on", true, {}, {}), true["on"].astype(float))


def test_noise_is_added_and_a_bad_contact_makes_more_of_it(true):
    noise = _noise("cabinet_c", 0.2)
    quiet = shown("cabinet_c", true, noise, {}) - true["air_c"]
    loud = shown("cabinet_c", true, noise, {"probe_noise_ratio": np.array([1.0, 8.0, 1.0])}) - true["air_c"]
    assert 0.15 < quiet.std() < 0.25
    assert loud[:, 1].std() > 6 * quiet[:, 1].std()
    assert np.array_equal(loud[:, 0], quiet[:, 0])


def test_a_drifted_probe_reads_beside_the_truth_and_no_other_does(true):
    faults = {"probe_offset_k": np.array([0.0, 2.0, 0.0]), "product_offset_k": np.array([-1.0, 0.0, 0.0])}
    assert np.allclose((shown("cabinet_c", true, {}, faults) - true["air_c"]).mean(0), [0, 2, 0], atol=0.02)
    assert np.allclose((shown("product_c", true, {}, faults) - true["food_c"]).mean(0), [-1, 0, 0], atol=0.02)


def test_a_stuck_probe_shows_what_the_thermostat_goes_by(true):
    faults = {
        "probe_stuck": np.array([0.0, 1.0, 1.0]),
        "thermostat_offset_k": np.array([0.0, 0.0, 1.0]),
    }
    read = shown("cabinet_c", true, _noise("cabinet_c"), faults)
    assert np.unique(read[:, 0]).size > 10
    assert np.unique(read[:, 1]).tolist() == [4.4]
    assert np.unique(read[:, 2]).tolist() == [3.4]


def test_an_open_probe_does_not_answer(true):
    read = shown("cabinet_c", true, {}, {"probe_open": np.array([0.0, 0.0, 1.0])})
    assert np.isnan(read[:, 2]).all()
    assert not np.isnan(read[:, :2]).any()


def test_boards_read_their_own_cabinet_unless_exchanged():
    assert cabinet_read_by({}, 4).tolist() == [0, 1, 2, 3]
    assert cabinet_read_by({"reports_as": np.array([0.0, 3.0, 2.0, 3.0])}, 4).tolist() == [0, 3, 2, 1]
    assert cabinet_read_by({"reports_as": np.array([0.0, 3.0, 2.0, 1.0])}, 4).tolist() == [0, 3, 2, 1]
