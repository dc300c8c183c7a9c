from dataclasses import replace

import numpy as np
import pytest

from firmware_sim.branches import HORIZON_H, Taken, run_outs
from firmware_sim.history import Simulator
from firmware_sim.scenarios.clones import repeated
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.model import Fault
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.small_fleet import FLEET, SCENARIO, write_small_fleet

END_MS = 20_400 * DAY_MS
# a bank that lasts a night or so
SMALL = FLEET.replace("capacity_ah = 100", "capacity_ah = 40")
HOT = SCENARIO.replace("drives = [[6.0, 9.0]]", "drives = [[6.0, 9.0]]\nnight_c = 26\nday_c = 38")


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """Return a scenario, and states of it taken at three instants."""
    scenario = load_scenario(
        write_small_fleet(tmp_path_factory.mktemp("branches"), fleet=SMALL, scenario=HOT)
    )
    simulator = Simulator(scenario, anchor_ms=END_MS, start_ms=END_MS - 20 * HOUR_MS)
    taken = []
    for back_h in (16, 12, 8):
        for _ in simulator.blocks(END_MS - back_h * HOUR_MS):
            pass
        taken.append(Taken.of(simulator.reached_ms, simulator.state))
    return scenario, taken


@pytest.fixture(scope="module")
def found(run):
    scenario, taken = run
    return run_outs(scenario, taken, anchor_ms=END_MS)


def test_a_bank_runs_out_and_then_food_warms(found):
    for one in found:
        assert 1.0 < one.stops_h[0] < HORIZON_H
        assert one.risk_h[5.0][0] > one.stops_h[0]
        assert one.risk_h[4.0][0] < one.risk_h[5.0][0] < one.risk_h[7.0][0]


def test_a_unit_on_mains_never_runs_out(found):
    assert all(np.isnan(one.stops_h[1]) for one in found)


def test_limits_of_other_kinds_are_not_asked_of_a_unit(found):
    assert all(np.isnan(one.risk_h[-12.0][0]) and np.isnan(one.risk_h[5.0][1]) for one in found)


def test_instants_side_by_side_give_what_each_gives_alone(run, found):
    scenario, taken = run
    (alone,) = run_outs(scenario, taken[1:2], anchor_ms=END_MS)
    assert alone.stops_h[0] == found[1].stops_h[0]
    assert alone.risk_h[5.0][0] == found[1].risk_h[5.0][0]


def test_an_hour_later_without_charging_is_an_hour_less(run):
    """Between the drives nothing charges: the branch from the later instant ends at the same moment."""
    scenario, _ = run
    simulator = Simulator(scenario, anchor_ms=END_MS, start_ms=END_MS - 12 * HOUR_MS)
    taken = []
    for back_h in (11, 9):
        for _ in simulator.blocks(END_MS - back_h * HOUR_MS):
            pass
        taken.append(Taken.of(simulator.reached_ms, simulator.state))
    early, late = run_outs(scenario, taken, anchor_ms=END_MS)
    assert early.stops_h[0] - late.stops_h[0] == pytest.approx(2.0, abs=1e-9)


def test_looking_ahead_leaves_the_run_as_it_was(run):
    scenario, taken = run
    before = {name: values.copy() for name, values in taken[0].arrays.items()}
    run_outs(scenario, taken[:1], anchor_ms=END_MS)
    assert all(
        np.array_equal(values, taken[0].arrays[name], equal_nan=True) for name, values in before.items()
    )


def test_a_repeated_fleets_instants_do_not_get_into_each_others_way(tmp_path):
    """Copies of copies: a bank called after its original with -2 must not be taken for a second instant's."""
    path = write_small_fleet(tmp_path, fleet=SMALL, scenario=HOT)
    scenario = repeated(load_scenario(path), 4, mark="")
    simulator = Simulator(scenario, anchor_ms=END_MS, start_ms=END_MS - 14 * HOUR_MS)
    taken = []
    for back_h in (12, 9):
        for _ in simulator.blocks(END_MS - back_h * HOUR_MS):
            pass
        taken.append(Taken.of(simulator.reached_ms, simulator.state))
    together = run_outs(scenario, taken, anchor_ms=END_MS)
    alone = [run_outs(scenario, [one], anchor_ms=END_MS)[0] for one in taken]
    for one, other in zip(together, alone, strict=True):
        assert np.array_equal(one.stops_h, other.stops_h, equal_nan=True)


def test_a_fleet_of_which_most_is_soon_decided_gives_what_each_unit_gives_alone(run, found):
    scenario, taken = run
    many = repeated(scenario, 6, mark="x", spread=False)
    sizes = {name: values.size for name, values in taken[0].arrays.items()}
    large = 4.0  # the last bank holds this much more, so that the others are decided long before
    wide = {name: np.concatenate([values] * 3) for name, values in taken[0].arrays.items()}
    for name in ("q1_ah", "q2_ah", "full_ah"):
        wide[name] = wide[name] * np.repeat([1.0, 1.0, large], sizes[name])
    banks = [(bank, physics) for bank, physics in many.banks]
    label = banks[2][0].model_copy(update={"capacity_ah": large * banks[2][0].capacity_ah})
    many = replace(many, banks=(*banks[:2], (label, banks[2][1])))
    (one,) = run_outs(many, [Taken(taken[0].t_ms, wide)], anchor_ms=END_MS)
    alone = found[0].stops_h[0]
    assert one.stops_h[0] == alone
    assert one.stops_h[4] > 2.0 * alone
    assert np.isfinite(one.risk_h[7.0][[0, 2, 4]]).all()


def test_a_lid_left_ajar_warms_the_food_sooner(run, found):
    scenario, taken = run
    ajar = Fault(kind="lid_ajar", unit="cart-meat", begins_h_before=19.0, lasts_h=200.0)
    (one,) = run_outs(replace(scenario, faults=(ajar,)), taken[:1], anchor_ms=END_MS)
    assert one.risk_h[7.0][0] < found[0].risk_h[7.0][0]
