import numpy as np
import pytest

from firmware_sim.plant.starter import START_V, Starters
from tests.helpers.electric import Rig, bank


def beside(**physics):
    return bank(drive="relay", starter_ah=70.0, **physics)


def test_where_none_is_modelled_nothing_is_shown():
    shown = Rig([bank()]).step()
    assert np.isnan(shown.starter_v[0])
    assert not shown.may_not_start[0]


def test_a_parked_vehicle_takes_a_month_to_lose_a_third_of_it():
    rig = Rig([beside()])
    rig.run(24.0 * 25, dt_s=600.0)
    assert rig.state.starter_soc[0] == pytest.approx(0.95 - 24 * 25 * 0.04 / 70, abs=0.001)


def test_an_hour_of_driving_pays_for_the_start_and_more():
    rig = Rig([beside(starter_soc=0.7)])
    shown = rig.run(1.0, engine=1.0)
    assert rig.state.starter_soc[0] > 0.8
    assert shown.starter_v[0] == pytest.approx(14.2, abs=1e-6)


def test_starting_again_and_again_costs_charge():
    rig = Rig([beside(parked_a=0.0, alternator_v=12.5)])  # too low to charge it
    for _ in range(10):
        rig.step(engine=0.0, dt_s=300.0)
        for _ in range(20):
            rig.step(engine=1.0)
    assert rig.state.starter_soc[0] == pytest.approx(0.95 - 10 * 0.15 / 70, abs=1e-4)


def test_the_relay_keeps_the_fridge_off_it_and_a_stuck_one_does_not():
    kept, joined = (Rig([beside(start_soc=0.6)]) for _ in range(2))
    joined.electrics.set_faults({"relay_stuck_closed": np.ones(1)})
    for rig in (kept, joined):
        rig.run(12.0, 60.0, dt_s=60.0)
    assert kept.state.starter_soc[0] > 0.93
    assert joined.state.starter_soc[0] < 0.75
    assert joined.held_ah[0] > kept.held_ah[0]


def test_two_batteries_side_by_side_lose_nothing_to_each_other():
    rig = Rig([beside(start_soc=0.6, parked_a=0.0, stuck_drain_a=0.0)])
    rig.electrics.set_faults({"relay_stuck_closed": np.ones(1)})
    before = rig.held_ah[0] + 70.0 * rig.state.starter_soc[0]
    taken = sum(rig.step(60.0).unit_a[0] * 30.0 / 3600.0 for _ in range(600))
    assert before - rig.held_ah[0] - 70.0 * rig.state.starter_soc[0] == pytest.approx(taken, rel=1e-3)


def test_a_dead_alternator_lets_the_running_engine_empty_it():
    rig = Rig([beside()])
    rig.electrics.set_faults({"drive_a": np.zeros(1)})
    shown = rig.run(4.0, engine=1.0)
    assert rig.state.starter_soc[0] == pytest.approx(0.95 - (4 * 8.0 + 0.15) / 70, abs=0.002)
    assert shown.starter_v[0] < 12.5


def test_a_dead_dcdc_charger_is_not_a_dead_alternator():
    rig = Rig([bank(drive="dcdc", starter_ah=70.0, starter_soc=0.7)])
    rig.electrics.set_faults({"drive_a": np.zeros(1)})
    assert rig.run(1.0, engine=1.0).starter_v[0] > 14.0
    assert rig.state.starter_soc[0] > 0.8


def test_a_full_bank_feeds_a_poor_starter_through_a_stuck_relay():
    rig = Rig([beside(starter_soc=0.3)])
    rig.electrics.set_faults({"relay_stuck_closed": np.ones(1)})
    rig.run(2.0)
    assert rig.state.starter_soc[0] > 0.4


def test_an_engine_may_not_start_somewhere_around_half_charge():
    starters = Starters((beside(),))
    weak = [bool(starters.may_not_start(np.array([soc]))[0]) for soc in (0.9, 0.7, 0.4, 0.2)]
    assert weak == [False, False, True, True]
    assert START_V == 9.6


def test_the_morning_after_a_stuck_relay_is_told_as_one_on_which_it_may_not_start():
    rig = Rig([beside(start_soc=0.4, capacity_ah=60.0)])
    rig.electrics.set_faults({"relay_stuck_closed": np.ones(1)})
    assert not rig.step(50.0).may_not_start[0]
    assert rig.run(14.0, 50.0, dt_s=60.0).may_not_start[0]
