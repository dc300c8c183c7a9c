import numpy as np
import pytest

from deploy.backtest_runout import HEALTH_MEAN, HEALTH_SD, RANGES, made_up, play
from deploy.backtest_scores import asked_of, scores_of, table_of


def test_the_same_seed_makes_the_same_fleet_and_another_another():
    assert made_up(5, vehicles=4).fleet == made_up(5, vehicles=4).fleet
    assert made_up(5, vehicles=4).fleet != made_up(6, vehicles=4).fleet


def test_capacities_are_spread_about_four_fifths_of_the_label():
    health = np.array([bank.health for _, bank in made_up(1, vehicles=400).scenario.banks])
    assert health.mean() == pytest.approx(HEALTH_MEAN, abs=4 * HEALTH_SD / 20)
    assert health.std() == pytest.approx(HEALTH_SD, rel=0.15)


def test_everything_else_lies_in_its_range():
    made = made_up(2, vehicles=60)
    for bank, physics in made.scenario.banks:
        assert RANGES["label_ah"][0] - 2.5 <= bank.capacity_ah <= RANGES["label_ah"][1] + 2.5
        assert RANGES["drive_a"][0] <= physics.drive_a <= RANGES["drive_a"][1]
    for unit in made.fleet.units:
        assert RANGES["cutout_v"][0] <= unit.supply.cutout_v <= RANGES["cutout_v"][1]


def test_files_do_not_tell_the_truth_about_capacity():
    made = made_up(3, vehicles=12)
    told = {bank.capacity_ah for bank in made.fleet.banks}
    assert told == {bank.capacity_ah for bank, _ in made.scenario.banks}
    assert len({bank.installed for bank in made.fleet.banks} - {None}) == 1


@pytest.fixture(scope="module")
def short_run():
    made = made_up(4, vehicles=2)
    return made, play(made, days=1.5, warm_up_days=1.0)


def test_a_short_run_tells_when_food_gets_warm_and_what_was_said(short_run):
    made, played = short_run
    both = np.isfinite(played.warm_h) & np.isfinite(played.stops_h)
    assert both.any()
    assert np.all(played.warm_h[both] > 0.0)
    assert all(
        np.isfinite(one.said_warm_h[0]) for one in asked_of(made, played) if one.why_not == "discharging"
    )


def test_a_short_run_is_asked_and_scored(short_run):
    made, played = short_run
    assert played.stops_h.shape == (len(played.at_ms), 3)
    found = list(asked_of(made, played))
    assert found
    assert all(one.true_h >= 0.0 for one in found)
    assert {(one.unit, one.bank, one.shared) for one in found} == {
        ("4 unit-00", "4 bank-00", False),
        ("4 unit-01", "4 bank-01", True),
        ("4 unit-01-b", "4 bank-01", True),
    }
    told = [one.said_h for one in found if np.isfinite(one.said_h).all()]
    assert told
    assert all(np.all(np.diff(said) >= 0.0) for said in told)
    assert "seeds 4: 2 banks each" in table_of(scores_of(found), seeds=[4], vehicles=2, days=8.5)
