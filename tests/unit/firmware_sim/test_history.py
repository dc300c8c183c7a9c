import itertools

import numpy as np
import pytest

from firmware_sim.history import (
    STEP_MS,
    Simulator,
    measured,
    sampled_rows,
    simulate,
    simulate_history,
)
from firmware_sim.scenarios.load import load_scenario
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.small_fleet import SCENARIO, write_small_fleet

END_MS = 20_400 * DAY_MS + 13 * HOUR_MS


@pytest.fixture
def scenario(tmp_path):
    return load_scenario(write_small_fleet(tmp_path))


def test_every_unit_samples_once_an_interval_at_its_phase(scenario):
    history = simulate(scenario, start_ms=END_MS - 6 * HOUR_MS, end_ms=END_MS)
    for unit, physics in scenario.units:
        series = history.measured[unit.id]
        assert len(series) == 360
        assert np.all(np.diff(series.t_ms) == 60_000)
        assert np.all(series.t_ms // 1000 % 60 == physics.phase_s)


def test_units_publish_their_channels_and_no_others(scenario):
    history = simulate(scenario, start_ms=END_MS - HOUR_MS, end_ms=END_MS)
    assert set(history.measured["hall-frozen"].columns) == {"cabinet_c", "compressor_on"}
    assert set(history.measured["cart-meat"].columns) >= {"battery_v", "ambient_c", "lid_open", "bank_v"}


def test_sensors_stay_near_the_truth_at_their_resolution(scenario):
    history = simulate(scenario, start_ms=END_MS - 6 * HOUR_MS, end_ms=END_MS)
    shown = history.measured["cart-meat"]
    rows = np.searchsorted(history.t_ms, shown.t_ms)
    gap_c = shown.numbers("cabinet_c") - history.true_of("cart-meat", "air_c")[rows]
    assert 0.02 < gap_c.std() < 0.1
    assert abs(gap_c.mean()) < 0.02
    tenths = shown.numbers("cabinet_c") * 10.0
    assert np.allclose(tenths, np.round(tenths), atol=1e-6)
    hundredths = shown.numbers("battery_v") * 100.0
    assert np.allclose(hundredths, np.round(hundredths), atol=1e-6)


def test_the_same_seed_gives_the_same_history(tmp_path):
    path = write_small_fleet(tmp_path)
    first, second = (simulate_history(path, end_ms=END_MS, days=0.5) for _ in range(2))
    for unit, series in first.items():
        assert np.array_equal(series.t_ms, second[unit].t_ms)
        for column, values in series.columns.items():
            assert np.array_equal(values, second[unit].columns[column], equal_nan=True)


def test_pieces_of_any_size_give_what_one_run_gives(scenario):
    start_ms = END_MS - 8 * HOUR_MS
    whole = simulate(scenario, start_ms=start_ms, end_ms=END_MS)
    pieces = Simulator(scenario, anchor_ms=END_MS, start_ms=start_ms)
    cuts = [start_ms + minutes * 60_000 for minutes in (1, 7, 61, 200, 333)]
    blocks = list(itertools.chain.from_iterable(pieces.blocks(cut) for cut in [*cuts, END_MS]))
    assert np.array_equal(np.concatenate([block.t_ms for block in blocks]), whole.t_ms)
    for name in ("air_c", "unit_v", "soc"):
        joined = np.concatenate([block.true[name] for block in blocks])
        assert np.array_equal(joined, whole.true[name], equal_nan=True)
    shown = np.concatenate([measured(block, "cabinet_c") for block in blocks])[:, 0]
    rows = sampled_rows(whole.t_ms, interval_s=60, phase_s=0, step_s=30)
    assert np.array_equal(shown[rows], whole.measured["cart-meat"].numbers("cabinet_c"))


def test_a_unit_without_a_bank_has_no_true_charge(scenario):
    history = simulate(scenario, start_ms=END_MS - HOUR_MS, end_ms=END_MS)
    assert np.all(np.isnan(history.true_of("hall-frozen", "soc")))
    assert np.all(np.isfinite(history.true_of("cart-meat", "soc")))


def test_a_switched_off_unit_measures_nothing(tmp_path):
    text = SCENARIO.replace('id = "hall-frozen"', 'id = "hall-frozen"\nruns = false')
    history = simulate_history(write_small_fleet(tmp_path, scenario=text), end_ms=END_MS, days=0.1)
    assert len(history["hall-frozen"]) == 0


def test_less_than_a_step_is_refused(scenario):
    with pytest.raises(ValueError, match="one step"):
        simulate(scenario, start_ms=END_MS, end_ms=END_MS + STEP_MS - 1)
