import numpy as np
import pytest

from firmware_sim.plant.charging import panel_a
from tests.helpers.electric import Rig, bank

NONE = np.zeros(1)


def test_no_sun_no_current():
    assert panel_a(NONE, np.full(1, 30.0), mppt_a=np.full(1, 5.0), pwm_a=NONE)[0] == 0.0


def test_heat_costs_a_tracking_controller_but_not_a_switching_one():
    sun, hot, cold = np.full(1, 1000.0), np.full(1, 40.0), np.full(1, 0.0)
    five = np.full(1, 5.0)
    assert panel_a(sun, hot, mppt_a=five, pwm_a=NONE)[0] < panel_a(sun, cold, mppt_a=five, pwm_a=NONE)[0]
    assert panel_a(sun, hot, mppt_a=NONE, pwm_a=five)[0] == panel_a(sun, cold, mppt_a=NONE, pwm_a=five)[0]


def test_a_switching_controller_gives_less_than_a_tracking_one():
    rig = Rig(
        [
            bank(start_soc=0.4, panel_wp=200.0),
            bank(name="b", start_soc=0.4, panel_wp=200.0, controller="pwm"),
        ]
    )
    tracked, switched = -rig.step(sun_w_per_m2=700.0, bank_c=15.0).bank_a
    assert 0.75 < switched / tracked < 0.97


def test_twice_the_voltage_is_half_the_panel_current():
    rig = Rig(
        [
            bank(start_soc=0.4, panel_wp=200.0),
            bank(name="b", nominal_v=24, start_soc=0.4, panel_wp=200.0),
        ]
    )
    low, high = -rig.step(sun_w_per_m2=700.0).bank_a
    assert high == pytest.approx(low / 2.0)


@pytest.mark.parametrize(
    ("kind", "absorb_v", "float_v"),
    [("flooded", 14.5, 13.3), ("agm", 14.4, 13.6), ("gel", 14.2, 13.6), ("lifepo4", 14.2, 13.5)],
)
def test_a_charger_holds_absorption_and_then_floats(kind, absorb_v, float_v):
    rig = Rig([bank(kind, start_soc=0.6)])
    volts = np.array([rig.step(source_a=25.0, dt_s=60.0).bank_v[0] for _ in range(24 * 60)])
    assert volts.max() == pytest.approx(absorb_v, abs=1e-6)
    held = np.flatnonzero(np.abs(volts - absorb_v) < 1e-6)
    assert held.size >= (119 if kind != "lifepo4" else 29)
    assert volts[-1] == pytest.approx(float_v, abs=1e-6)


def test_each_new_charge_begins_with_absorption():
    rig = Rig([bank("agm")])
    rig.run(6.0, source_a=20.0, dt_s=60.0)
    assert rig.step(source_a=20.0).bank_v[0] == pytest.approx(13.6)
    rig.run(1.0, 10.0)
    assert rig.run(0.5, source_a=20.0).bank_v[0] == pytest.approx(14.4)


def test_lead_is_charged_at_more_volts_in_the_cold_and_lithium_is_not():
    rise_v = []
    for kind in ("agm", "lifepo4"):
        seen = []
        for degrees in (25.0, 5.0):
            rig = Rig([bank(kind, start_soc=0.97)])
            rig.state.bank_c = np.array([degrees])
            seen.append(max(rig.step(source_a=20.0, bank_c=degrees).bank_v[0] for _ in range(30)))
        rise_v.append(seen[1] - seen[0])
    assert 20 * 0.018 <= rise_v[0] <= 20 * 0.030
    assert rise_v[1] == pytest.approx(0.0, abs=1e-9)


def test_a_wrongly_set_charger_misses_by_what_the_fault_says():
    rig = Rig([bank("agm", start_soc=0.97)])
    rig.electrics.set_faults({"absorption_v_added": np.array([-0.6])})
    assert max(rig.step(source_a=20.0).bank_v[0] for _ in range(60)) == pytest.approx(13.8)


def test_loads_come_before_the_bank():
    rig = Rig([bank("agm", start_soc=0.5)])
    shown = rig.run(0.2, 60.0, source_a=10.0)
    assert shown.source_a[0] == pytest.approx(10.0)
    assert shown.bank_a[0] == pytest.approx(shown.unit_a[0] - 10.0)


def smart(**physics):
    return bank(
        start_soc=0.5, drive="relay", drive_a=60.0, alternator="smart", charge_path_mohm=15.0, **physics
    )


def test_a_smart_alternator_drops_after_a_while_and_comes_back_while_coasting():
    rig = Rig([smart()])
    shown = [rig.step(engine=1.0) for _ in range(120)]
    charge_a = np.array([-one.bank_a[0] for one in shown])
    early, late = charge_a[2:19], charge_a[40:]
    assert early.min() > 10.0
    assert np.median(late) == 0.0
    assert late.max() > 10.0
    assert np.mean(late > 0.0) == pytest.approx(0.12, abs=0.03)


def test_a_smart_alternator_looks_at_the_starter_battery_where_there_is_one():
    full, poor = Rig([smart(starter_ah=70.0)]), Rig([smart(starter_ah=70.0, starter_soc=0.5)])
    charged = [-sum(rig.step(engine=1.0).bank_a[0] for _ in range(19)) for rig in (full, poor)]
    assert charged[1] > 4.0 * charged[0]


def test_a_plain_alternator_charges_more_in_an_hour_than_a_smart_one():
    rigs = [Rig([bank(start_soc=0.5, drive="relay", drive_a=60.0)]), Rig([smart()])]
    for rig in rigs:
        rig.run(1.5, engine=1.0)
    assert rigs[0].held_ah[0] > rigs[1].held_ah[0] + 5.0


@pytest.mark.parametrize("drive", ["dcdc", "relay"])
def test_idling_leaves_a_third_of_the_output_for_its_share_of_the_time(drive):
    road, idle = (
        Rig([bank(start_soc=0.3, drive=drive, drive_a=9.0, alternator_v=15.0, idle_share=share)])
        for share in (0.0, 0.5)
    )
    for rig in (road, idle):
        rig.run(2.0, engine=1.0)
    gained = [rig.held_ah[0] - 0.3 * 102.0 for rig in (road, idle)]
    assert gained[1] / gained[0] == pytest.approx(0.5 + 0.5 * 0.33, abs=0.02)


def test_patterns_of_driving_are_the_same_in_steps_of_a_minute():
    charged = []
    for dt_s in (30.0, 60.0):
        rig = Rig([smart(idle_share=0.4)])
        rig.run(4.0, engine=1.0, dt_s=dt_s)
        charged.append(rig.held_ah[0])
    assert charged[0] - 51.0 == pytest.approx(charged[1] - 51.0, rel=0.08)  # 51 Ah were in it
