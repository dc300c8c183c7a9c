import numpy as np
import pytest

from firmware_sim.history import Block, Simulator
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.truth import Truth, minutes_by_day
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS
from tests.helpers.small_fleet import SCENARIO, write_small_fleet

START_MS = 20_400 * DAY_MS


@pytest.fixture
def scenario(tmp_path):
    return load_scenario(write_small_fleet(tmp_path))


def block(rows, first_row=1):
    """Return a block whose fridge air follows the rows; the freezer stays at -20."""
    air = np.array(rows, dtype=float)
    n = air.size
    both = np.stack([air, np.full(n, -20.0)], axis=1)
    flat = np.zeros((n, 2))
    true = {
        "air_c": both,
        "food_c": both,
        "locked": flat.astype(bool),
        "on": flat.astype(bool),
        "unit_v": flat + 12.5,
        "bank_v": flat + 12.6,
        "soc": flat + 0.8,
        "unit_a": flat,
    }
    t_ms = START_MS + 30_000 * np.arange(first_row, first_row + n, dtype=np.int64)
    return Block(t_ms, true, {})


def told(truth):
    return truth.told([])["units"]


def test_minutes_above_are_counted_between_the_crossings_not_the_steps(scenario):
    truth = Truth(scenario, start_ms=START_MS)
    truth.take(block([4.0, 6.0, 6.0, 4.5]))
    line = told(truth)["cart-meat"]["above"]["air_c"]["5.0"]
    # up half way through the second step, down two thirds into the fourth
    assert line["minutes"] * 60 == pytest.approx(15 + 30 + 20)
    assert line["episodes_ms"] == [[START_MS + 45_000, START_MS + 110_000]]


def test_blocks_of_any_size_give_the_same(scenario):
    rows = np.random.default_rng(5).normal(5.0, 2.0, 200)
    whole, pieces = Truth(scenario, start_ms=START_MS), Truth(scenario, start_ms=START_MS)
    whole.take(block(rows))
    for first in range(0, 200, 7):
        pieces.take(block(rows[first : first + 7], first + 1))
    assert told(whole) == told(pieces)


def test_time_still_above_at_the_end_counts_up_to_the_end(scenario):
    truth = Truth(scenario, start_ms=START_MS)
    truth.take(block([9.0] * 5))
    lines = told(truth)["cart-meat"]["above"]["food_c"]
    assert lines["8.0"]["minutes"] == 2.0
    assert lines["10.0"]["minutes"] == 0.0


def test_time_below_is_kept_for_fridges(scenario):
    truth = Truth(scenario, start_ms=START_MS)
    truth.take(block([1.0] * 5))
    units = told(truth)
    assert units["cart-meat"]["below"]["air_c"]["2.0"]["minutes"] == 2.0
    assert units["cart-meat"]["below"]["air_c"]["0.0"]["minutes"] == 0.0
    assert units["hall-frozen"]["below"]["air_c"] == {}


def test_food_at_risk_names_the_moment_the_core_passes_the_limit(scenario):
    truth = Truth(scenario, start_ms=START_MS)
    truth.take(block([4.5, 5.5, 4.5, 5.5]))
    assert len(told(truth)["cart-meat"]["food_at_risk"]["5.0"]) == 2
    assert told(truth)["cart-meat"]["food_at_risk"]["7.0"] == []


def test_minutes_by_day_split_at_midnight():
    episode = [(START_MS - 10 * MINUTE_MS, START_MS + 5 * MINUTE_MS)]
    assert minutes_by_day(episode, START_MS - HOUR_MS, START_MS + HOUR_MS) == [10.0, 5.0]


def test_the_days_of_a_real_run_add_up_to_its_total_and_to_a_count_of_steps(scenario):
    end_ms = START_MS + 30 * HOUR_MS
    simulator = Simulator(scenario, anchor_ms=end_ms, start_ms=START_MS)
    truth = Truth(scenario, start_ms=START_MS)
    air = []
    for piece in simulator.blocks(end_ms):
        truth.take(piece)
        air.append(piece.true["air_c"])
    line = told(truth)["hall-frozen"]["above"]["air_c"]["-18.0"]
    assert sum(line["minutes_by_day"]) == pytest.approx(line["minutes"], abs=0.001)
    counted = (np.concatenate(air)[:, 1] > -18.0).sum() / 2
    assert line["minutes"] == pytest.approx(counted, rel=0.05)
    assert line["minutes"] > 60


def test_charge_is_told_every_hour_for_every_bank(scenario):
    truth = Truth(scenario, start_ms=START_MS)
    truth.take(block([3.0] * 240))
    charge = truth.told([])["banks"]["cart-bank"]["state_of_charge"]
    assert charge["values"] == [0.8, 0.8]
    assert charge["from"] == "2025-11-08T01:00:00Z"


def test_a_bank_tells_of_its_starter_battery_as_it_went(tmp_path):
    text = SCENARIO + '[[bank]]\nid = "cart-bank"\ndrive = "relay"\nstarter_ah = 70\nstarter_soc = 0.35\n'
    scenario = load_scenario(write_small_fleet(tmp_path, scenario=text))
    start_ms = START_MS + 2 * HOUR_MS  # an hour before the drive at six
    simulator, truth = (
        Simulator(scenario, anchor_ms=START_MS + DAY_MS, start_ms=start_ms),
        Truth(scenario, start_ms=start_ms),
    )
    for one in simulator.blocks(START_MS + 6 * HOUR_MS):
        truth.take(one)
    starter = truth.told([])["banks"]["cart-bank"]["starter"]
    ((begin_ms, end_ms),) = starter["engine_may_not_start_ms"]
    assert begin_ms <= start_ms + 30_000
    assert START_MS + 4 * HOUR_MS < end_ms < START_MS + 6 * HOUR_MS
    assert 11.6 < starter["lowest_v"] < 12.0
