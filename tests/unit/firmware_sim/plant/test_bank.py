import numpy as np
import pytest

from firmware_sim.plant.battery import OPEN_CIRCUIT_V
from tests.helpers.electric import Rig, bank, unit

KINDS = sorted(OPEN_CIRCUIT_V)


@pytest.mark.parametrize("kind", KINDS)
def test_a_rested_bank_shows_its_open_circuit(kind):
    rig = Rig([bank(kind, start_soc=0.7)])
    assert rig.step().bank_v[0] == pytest.approx(OPEN_CIRCUIT_V[kind][7], abs=1e-6)


@pytest.mark.parametrize("kind", KINDS)
def test_a_cold_bank_gives_less_and_gets_it_back_when_warm(kind):
    rig = Rig([bank(kind, start_soc=0.5)])
    warm = rig.run(0.1).soc[0]
    cold = rig.run(24.0, bank_c=-5.0, dt_s=60.0).soc[0]
    again = rig.run(36.0, bank_c=25.0, dt_s=60.0).soc[0]
    assert cold < warm - 0.03
    assert again == pytest.approx(warm, abs=1e-4)


def test_a_cold_bank_runs_out_sooner():
    hours = []
    for degrees in (25.0, 0.0):
        rig = Rig([bank("agm")])
        rig.state.bank_c = np.array([degrees])
        gone = 0.0
        while rig.step(60.0, bank_c=degrees, dt_s=60.0).soc[0] > 0.02:
            gone += 1.0 / 60.0
        hours.append(gone)
    assert hours[1] / hours[0] == pytest.approx(0.85, abs=0.03)


def test_resistance_rises_in_the_cold():
    sags = []
    for degrees in (25.0, 0.0):
        rig = Rig([bank("agm", start_soc=0.8)], [unit(cable_length_m=0.1)])
        rig.state.bank_c = np.array([degrees])
        rest_v = rig.step(0.0, bank_c=degrees).bank_v[0]
        rig.step(100.0, bank_c=degrees)
        shown = rig.step(100.0, bank_c=degrees)
        sags.append((rest_v - shown.bank_v[0]) / shown.bank_a[0])
    assert 1.4 < sags[1] / sags[0] < 2.1


def test_lithium_takes_no_charge_in_frost():
    rig = Rig([bank("lifepo4", start_soc=0.5)])
    rig.state.bank_c = np.array([-3.0])
    assert rig.step(source_a=20.0, bank_c=-3.0).bank_a[0] == 0.0
    rig.run(24.0, bank_c=20.0, dt_s=60.0)
    assert rig.step(source_a=20.0, bank_c=20.0).bank_a[0] == pytest.approx(-20.0)


@pytest.mark.parametrize("kind", KINDS)
def test_a_forgotten_bank_discharges_itself(kind):
    rig = Rig([bank(kind, self_discharge_per_month=0.06)])
    soc = rig.run(730.5, dt_s=600.0).soc[0]
    assert soc == pytest.approx(np.exp(-0.06), abs=0.002)


def test_heat_doubles_self_discharge_every_ten_kelvin():
    lost = []
    for degrees in (25.0, 35.0):
        rig = Rig([bank("flooded", self_discharge_per_month=0.06)])
        rig.state.bank_c = np.array([degrees])
        before = rig.held_ah[0]
        rig.run(48.0, bank_c=degrees, dt_s=60.0)
        lost.append(before - rig.held_ah[0])
    assert lost[1] / lost[0] == pytest.approx(2.0, rel=0.1)


def test_wear_takes_capacity_and_adds_resistance():
    rig = Rig([bank("agm", ageing=1.0)])
    full = rig.state.full_ah[0]
    rig.state.stood = np.array([1.0])
    rig.run(0.4)
    assert rig.state.full_ah[0] == pytest.approx(0.8 * full, rel=1e-4)
    assert rig.step().soc[0] == pytest.approx(1.0, abs=1e-6)


def test_a_weak_battery_fault_takes_the_share_it_says():
    rig = Rig([bank("agm")])
    full = rig.state.full_ah[0]
    rig.electrics.set_faults({"capacity": np.array([0.4])})
    rig.run(0.4)
    assert rig.state.full_ah[0] == pytest.approx(0.4 * full)


def test_a_sulphated_bank_takes_charge_slowly():
    charged = []
    for willing in (1.0, 0.3):
        rig = Rig([bank("agm", start_soc=0.7)])
        rig.electrics.set_faults({"acceptance": np.array([willing])})
        charged.append(rig.run(1.0, source_a=30.0).soc[0])
    assert charged[1] < charged[0] - 0.05


def test_charging_leaves_some_voltage_on_the_plates_for_a_while():
    rig = Rig([bank("agm", start_soc=0.8)])
    rig.run(1.0, source_a=15.0)
    soon = rig.step().bank_v[0]
    later = rig.run(12.0, dt_s=60.0).bank_v[0]
    assert 0.1 < soon - later < 0.6


def test_a_load_takes_the_surface_charge_quickly():
    rig = Rig([bank("agm", start_soc=0.8)])
    rig.run(1.0, source_a=15.0)
    assert rig.state.surface_v[0] > 0.3
    rig.run(0.5, 60.0)
    assert rig.state.surface_v[0] < 0.1


def test_days_since_full_are_counted():
    rig = Rig([bank("agm", start_soc=0.5)])
    rig.run(30.0, dt_s=60.0)
    assert rig.state.hungry_h[0] == pytest.approx(30.0, abs=0.2)
    rig.run(24.0, source_a=20.0, dt_s=60.0)
    assert rig.state.hungry_h[0] < 20.0


def test_a_bad_bank_is_resistive_from_the_start():
    new, old = (Rig([bank(health=health, capacity_ah=100.0)]) for health in (1.0, 0.8))
    drop = [rig.step().bank_v[0] - [rig.step(60.0) for _ in range(3)][-1].bank_v[0] for rig in (new, old)]
    assert drop[1] > 1.2 * drop[0]


def _rest_v_at_half(kind, *, begin_soc, watts=0.0, source_a=0.0):
    rig = Rig([bank(kind, start_soc=begin_soc)])
    full_ah = rig.state.full_ah[0]
    while (rig.held_ah[0] > 0.5 * full_ah) == (begin_soc > 0.5):
        rig.step(watts, source_a=source_a)
    rig.run(24.0, 0.0, dt_s=60.0)
    return rig.step().bank_v[0]


def test_lithium_rests_higher_after_charge_than_after_discharge_by_a_few_hundredths_of_a_volt():
    above = _rest_v_at_half("lifepo4", begin_soc=0.3, source_a=10.0) - _rest_v_at_half(
        "lifepo4", begin_soc=0.7, watts=100.0
    )
    assert 4 * 0.012 < above < 4 * 0.022  # of four cells, at most 20 mV each


def test_lead_has_no_such_memory():
    above = _rest_v_at_half("agm", begin_soc=0.3, source_a=10.0) - _rest_v_at_half(
        "agm", begin_soc=0.7, watts=100.0
    )
    assert abs(above) < 0.02


def test_the_swing_stays_between_its_ends_whatever_is_asked_of_a_bank():
    rig = Rig([bank("lifepo4", capacity_ah=20.0)])
    for k in range(200):
        rig.step(200.0 * (k % 3 == 0), source_a=40.0 * (k % 7 == 0), dt_s=600.0)
        assert -1.0 <= rig.state.swing[0] <= 1.0


def test_two_blocks_in_series_have_twice_the_resistance_of_one():
    sags = []
    for volts in (12, 24):
        rig = Rig([bank("agm", start_soc=0.8, nominal_v=volts)], [unit(cable_length_m=0.1)])
        rest_v = rig.step(0.0).bank_v[0]
        rig.step(100.0)
        shown = rig.step(100.0)
        sags.append((rest_v - shown.bank_v[0]) / shown.bank_a[0])
    assert sags[1] / sags[0] == pytest.approx(2.0, rel=0.05)


def test_a_tapped_half_falls_behind_and_meets_the_other_when_both_are_full():
    rig = Rig([bank("agm", nominal_v=24, start_soc=0.9)])
    rig.electrics.set_faults({"half_tap_a": np.array([2.0])})
    shown = rig.run(20.0, dt_s=60.0)
    assert rig.state.ahead_ah[0] == pytest.approx(40.0, abs=0.2)
    halves = OPEN_CIRCUIT_V["agm"]
    low_v = np.interp(shown.soc[0], np.linspace(0.0, 1.0, 11), halves)
    high_v = np.interp(shown.soc[0] + 40.0 / rig.state.full_ah[0], np.linspace(0.0, 1.0, 11), halves)
    rig.electrics.set_faults({})
    rested = rig.run(6.0, dt_s=60.0)
    assert rested.bank_v[0] == pytest.approx(low_v + high_v, abs=0.06)
    rig.run(40.0, dt_s=60.0, source_a=20.0)
    assert rig.state.ahead_ah[0] == pytest.approx(0.0, abs=0.5)


def test_a_tap_on_a_bank_of_12_v_is_one_more_load():
    rig = Rig([bank("agm", start_soc=0.9)])
    rig.electrics.set_faults({"half_tap_a": np.array([2.0])})
    rig.run(5.0, dt_s=60.0)
    assert rig.state.ahead_ah[0] == 0.0
    assert rig.step().bank_a[0] == pytest.approx(2.0, abs=0.01)
