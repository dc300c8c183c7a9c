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
