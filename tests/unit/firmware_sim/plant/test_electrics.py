from dataclasses import fields, replace

import numpy as np
import pytest

from firmware_sim.plant.charging import DCDC, GENERATOR, MAINS, NO_SOURCE, RELAY, SOLAR
from firmware_sim.plant.electrics import ElectricState, Inputs
from tests.helpers.electric import Rig, bank, unit


def test_a_unit_gets_the_power_it_asks_for():
    rig = Rig([bank()])
    shown = rig.run(0.5, 48.0)
    assert (shown.unit_v * shown.unit_a)[0] == pytest.approx(48.0, rel=1e-3)


def test_cable_and_joint_drop_the_voltage_between_bank_and_unit():
    rig = Rig([bank()], [unit(cable_length_m=5.0, cable_mm2=2.5, joint_mohm=40.0)])
    shown = rig.run(0.2, 60.0, cable_c=20.0)
    cable_ohm, joint_ohm = 2 * 5.0 * 7.98e-3, 0.040 / (1 + 0.00393 * 15.0)
    assert (shown.bank_v - shown.unit_v)[0] == pytest.approx(shown.unit_a[0] * (cable_ohm + joint_ohm))


def test_a_hot_wire_drops_more():
    drops = []
    for degrees in (20.0, 60.0):
        shown = Rig([bank()], [unit(cable_length_m=6.0, joint_mohm=0.0)]).run(0.1, 60.0, cable_c=degrees)
        drops.append(((shown.bank_v - shown.unit_v) / shown.unit_a)[0])
    assert drops[1] / drops[0] == pytest.approx(1.0 + 0.00393 * 40.0)


def test_24_volts_halve_the_current():
    low, high = (Rig([bank(nominal_v=volts)]).run(0.2, 48.0) for volts in (12, 24))
    assert high.unit_a[0] == pytest.approx(low.unit_a[0] / 2.0, rel=0.02)
    assert high.bank_v[0] == pytest.approx(2.0 * low.bank_v[0], rel=0.02)


def test_two_units_share_a_bank():
    rig = Rig([bank()], [unit("one"), unit("two")])
    shown = rig.run(0.5, np.array([40.0, 20.0]))
    assert shown.bank_a[0] == pytest.approx(shown.unit_a.sum())


def test_a_unit_on_mains_takes_nothing_from_any_bank():
    rig = Rig([bank()], [unit(on=None)])
    shown = rig.run(1.0, 60.0)
    assert shown.bank_a[0] == 0.0
    assert shown.unit_v[0] == pytest.approx(12.0)


def test_a_fleet_without_banks_works():
    shown = Rig([], [unit(on=None)]).run(0.1, 60.0)
    assert shown.unit_a[0] == pytest.approx(5.0)
    assert shown.soc.size == 0


def test_without_supply_there_is_neither_voltage_nor_current():
    shown = Rig([bank()], [unit(on=None)]).step(60.0, fed=np.array([False]))
    assert not shown.fed[0]
    assert shown.unit_v[0] == 0.0
    assert shown.unit_a[0] == 0.0


def test_an_empty_bank_gives_its_loads_less_and_no_charge_it_does_not_have():
    rig = Rig([bank(start_soc=0.02)])
    shown = rig.run(3.0, 80.0)
    assert rig.held_ah[0] >= -1e-9
    assert shown.unit_v[0] * shown.unit_a[0] < 40.0
    assert rig.state.q1_ah[0] == pytest.approx(0.0, abs=0.1)


def test_the_board_of_an_empty_lithium_bank_opens_until_something_charges():
    rig = Rig([bank("lifepo4", start_soc=0.03)])
    shown = rig.run(2.0, 60.0)
    assert not shown.fed[0]
    assert shown.unit_v[0] == 0.0
    assert shown.unit_a[0] == 0.0
    shown = rig.run(0.5, 60.0, source_a=20.0)
    assert shown.fed[0]
    assert shown.unit_v[0] > 12.0


def test_lead_does_not_open():
    assert Rig([bank("agm", start_soc=0.02)]).run(2.0, 60.0).fed[0]


def test_what_charges_most_is_named():
    rig = Rig([bank(panel_wp=200.0, start_soc=0.5), bank(name="b", drive="relay", start_soc=0.5)])
    assert rig.step().source.tolist() == [NO_SOURCE, NO_SOURCE]
    assert rig.step(sun_w_per_m2=800.0).source[0] == SOLAR
    assert rig.run(0.1, engine=1.0).source.tolist() == [DCDC, RELAY]
    assert rig.step(mains=1.0).source[0] == MAINS
    assert rig.step(generator=1.0).source[0] == GENERATOR


def test_a_relay_closes_after_its_delay_and_shares_the_alternators_voltage():
    rig = Rig([bank(drive="relay", start_soc=0.5, drive_a=60.0, charge_path_mohm=40.0)])
    assert rig.step(engine=1.0, dt_s=10.0).bank_a[0] == 0.0
    shown = rig.run(0.1, engine=1.0)
    assert shown.bank_a[0] < -5.0
    assert shown.bank_v[0] == pytest.approx(14.2 - 0.040 * shown.source_a[0], abs=0.02)


def test_a_relays_bank_fills_slower_than_one_behind_a_charger():
    settings = {"start_soc": 0.4, "drive_a": 30.0, "charge_path_mohm": 60.0}
    rig = Rig([bank(**settings), bank(name="b", drive="relay", **settings)])
    soc = rig.run(2.0, engine=1.0).soc
    assert soc[1] < soc[0] - 0.05


def test_a_relay_stuck_open_never_charges():
    rig = Rig([bank(drive="relay", start_soc=0.5)])
    rig.electrics.set_faults({"relay_stuck_open": np.ones(1)})
    assert rig.run(0.5, engine=1.0).bank_a[0] == 0.0


def test_a_relay_stuck_closed_lets_the_parked_vehicle_drain_the_bank():
    rig = Rig([bank(drive="relay", stuck_drain_a=0.6)])
    rig.electrics.set_faults({"relay_stuck_closed": np.ones(1)})
    assert rig.run(0.5, engine=0.0).bank_a[0] == pytest.approx(0.6)


@pytest.mark.parametrize(
    ("name", "world"),
    [
        ("drive_a", {"engine": 1.0}),
        ("mains_a", {"mains": 1.0}),
        ("generator_a", {"generator": 1.0}),
        ("panel_w", {"sun_w_per_m2": 900.0}),
    ],
)
def test_a_failed_charger_gives_nothing(name, world):
    rig = Rig([bank(start_soc=0.5, panel_wp=200.0)])
    assert rig.step(**world).bank_a[0] < -1.0
    rig.electrics.set_faults({name: np.zeros(1)})
    assert rig.step(**world).bank_a[0] == 0.0
    rig.electrics.set_faults({})
    assert rig.step(**world).bank_a[0] < -1.0


def test_a_corroded_joint_adds_its_resistance():
    rig = Rig([bank()])
    before = rig.run(0.1, 50.0)
    rig.electrics.set_faults({"joint_ohm_added": np.array([0.2])})
    after = rig.run(0.1, 50.0)
    rise_ohm = (
        (after.bank_v - after.unit_v) / after.unit_a - (before.bank_v - before.unit_v) / before.unit_a
    )[0]
    assert rise_ohm == pytest.approx(0.2)


def test_an_undersized_cable_multiplies_the_cables_part():
    rig = Rig([bank()], [unit(cable_length_m=5.0, joint_mohm=0.0)])
    before = rig.run(0.1, 50.0)
    rig.electrics.set_faults({"cable_ohm": np.array([2.7])})
    after = rig.run(0.1, 50.0)
    ratio = (
        (after.bank_v - after.unit_v) / after.unit_a / ((before.bank_v - before.unit_v) / before.unit_a)
    )[0]
    assert ratio == pytest.approx(2.7)


def test_names_of_other_parts_are_left_to_them():
    rig = Rig([bank()])
    rig.electrics.set_faults({"charge_ratio": np.array([0.5])})
    assert rig.step(50.0).fed[0]


def test_a_state_that_was_kept_goes_on_as_the_run_it_was_taken_from():
    acts = [(50.0, {"engine": 1.0}), (0.0, {"sun_w_per_m2": 700.0}), (70.0, {"bank_c": 5.0})]
    banks = [bank(start_soc=0.4, ageing=1.0, panel_wp=100.0, self_discharge_per_month=0.05)]
    rig = Rig(banks)
    rig.run(0.6, 40.0)
    kept = {field.name: np.array(getattr(rig.state, field.name)) for field in fields(ElectricState)}
    other = Rig(banks)
    other.state = ElectricState(**kept)
    for watts, world in acts:
        first, second = rig.run(1.1, watts, **world), other.run(1.1, watts, **world)
        for name in ("unit_v", "bank_v", "soc", "bank_a"):
            assert np.array_equal(getattr(first, name), getattr(second, name))


def test_many_units_at_once_get_what_one_alone_gets():
    alone = [Rig([bank(kind, start_soc=0.6)]) for kind in ("agm", "lifepo4", "flooded")]
    together = Rig(
        [bank(kind, name=kind, start_soc=0.6) for kind in ("agm", "lifepo4", "flooded")],
        [unit(kind, on=kind) for kind in ("agm", "lifepo4", "flooded")],
    )
    for watts, world in ((60.0, {}), (20.0, {"engine": 1.0})):
        shown = together.run(1.0, watts, **world)
        for i, rig in enumerate(alone):
            one = rig.run(1.0, watts, **world)
            assert one.unit_v[0] == pytest.approx(shown.unit_v[i], abs=1e-12)
            assert one.soc[0] == pytest.approx(shown.soc[i], abs=1e-12)


def test_nothing_given_means_nothing_acts():
    rig, other = Rig([bank()]), Rig([bank()])
    still = replace(Inputs(), engine=np.zeros(1), bank_c=np.full(1, 25.0), cable_c=np.full(1, 35.0))
    first = rig.electrics.step(rig.state, np.array([50.0]), Inputs())
    second = other.electrics.step(other.state, np.array([50.0]), still)
    assert first.unit_v[0] == second.unit_v[0]
