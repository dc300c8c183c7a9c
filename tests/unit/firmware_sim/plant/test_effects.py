"""Each fault on a cabinet of its own, beside a healthy one, all in the same heat."""

import numpy as np
import pytest

from firmware_sim.plant.effects import DEFAULT_FAULTS, FAN_DEAD_SHARE, effects_of
from tests.helpers.one_cabinet import plant, run, soak, unit

FAULTS = {
    "dust": {"condenser_ratio": 0.35},
    "fan": {"condenser_fan": 0.0},
    "leak": {"charge_ratio": 0.45},
    "overfilled": {"charge_ratio": 1.3},
    "frost": {"frost_ratio": 60.0},
    "coil-fan": {"evaporator_fan": 0.0},
    "gasket": {"gasket_ratio": 3.0},
    "foam": {"wall_ratio": 1.5},
    "valves": {"compressor_ratio": 0.6},
    "thermostat": {"thermostat_offset_k": 3.0},
    "niche": {"niche_k": 12.0},
    "stalled": {"starts": 0.0},
    "open": {"probe_open": 1.0},
    "stuck": {"probe_stuck": 1.0},
    "knob": {"set_point_offset_k": 4.0},
}


def _multipliers(names):
    return {
        key: np.array([FAULTS[name].get(key, usual) if name in FAULTS else usual for name in names])
        for key, usual in DEFAULT_FAULTS.items()
    }


@pytest.fixture(scope="module")
def seen(tmp_path_factory):
    """Return what each fault shows over half a day in 30 °C, by name; the healthy one is "well"."""
    names = ["well", *FAULTS]
    fleet = [unit(-18.0, name=name, compressor="running_a = 5.0", volume_l=60) for name in names]
    text = "".join(
        f'[[unit]]\nid = "{name}"\ncooling_w = 75\nevaporator_fan = true\nfood_kg = 20\n' for name in names
    )
    box = plant(tmp_path_factory.mktemp("faults"), *fleet, physics=text)
    state = soak(box, -18.0)
    box.apply(_multipliers(names))
    run(box, state, 6.0, 30.0)
    ran = run(box, state, 12.0, 30.0)
    return {name: _signs(ran, i) for i, name in enumerate(names)}


def _signs(ran, i):
    on = ran["on"][:, i]
    if not on.any():
        return {"duty": 0.0, "air_c": ran["air_c"][:, i].mean()}
    gap = ran["air_c"][:, i] - ran["plate_c"][:, i]
    return {
        "duty": on.mean(),
        "watts": ran["unit_w"][on, i].mean(),
        "gap_k": gap[on].mean(),
        "evaporator_gap_k": (ran["plate_c"][:, i] - ran["evaporating_c"][:, i])[on].mean(),
        "hot_c": ran["condensing_c"][on, i].mean(),
        "air_c": ran["air_c"][:, i].mean(),
        "frost_kg": ran["frost_kg"][-1, i],
    }


@pytest.mark.parametrize(
    "name", ["dust", "fan", "leak", "overfilled", "frost", "coil-fan", "gasket", "foam", "valves", "niche"]
)
def test_faults_that_cost_cold_make_the_machine_run_longer(seen, name):
    assert seen[name]["duty"] > 1.03 * seen["well"]["duty"]
    assert seen[name]["air_c"] < -15.0


@pytest.mark.parametrize("name", ["dust", "fan", "overfilled", "niche"])
def test_faults_of_the_hot_side_raise_its_temperature(seen, name):
    assert seen[name]["hot_c"] > seen["well"]["hot_c"] + 2.0


@pytest.mark.parametrize("name", ["dust", "overfilled", "niche"])
def test_faults_of_the_hot_side_raise_the_power(seen, name):
    assert seen[name]["watts"] > seen["well"]["watts"]


def test_a_leak_takes_a_tenth_to_four_tenths_of_the_current_and_starves_the_evaporator(seen):
    assert 0.6 < seen["leak"]["watts"] / seen["well"]["watts"] < 0.9
    assert seen["leak"]["evaporator_gap_k"] > 2.0 * seen["well"]["evaporator_gap_k"]


def test_worn_valves_take_less_power_and_leave_the_plate_nearer_the_air(seen):
    assert seen["valves"]["watts"] < seen["well"]["watts"]
    assert seen["valves"]["gap_k"] < seen["well"]["gap_k"]


@pytest.mark.parametrize("name", ["frost", "coil-fan"])
def test_a_blocked_or_still_evaporator_is_much_colder_than_the_air(seen, name):
    assert seen[name]["gap_k"] > 1.5 * seen["well"]["gap_k"]
    assert seen[name]["watts"] < seen["well"]["watts"]


def test_frost_grows_with_leaking_seals_and_wet_goods(seen):
    assert seen["frost"]["frost_kg"] > 10.0 * seen["well"]["frost_kg"]
    assert seen["gasket"]["frost_kg"] > 3.0 * seen["well"]["frost_kg"]


def test_a_thermostat_or_knob_that_is_off_moves_the_cabinet(seen):
    assert seen["thermostat"]["air_c"] == pytest.approx(seen["well"]["air_c"] - 3.0, abs=0.4)
    assert seen["knob"]["air_c"] == pytest.approx(seen["well"]["air_c"] + 4.0, abs=0.4)


def test_a_stalled_machine_never_runs_and_the_cabinet_warms(seen):
    assert seen["stalled"]["duty"] == 0.0
    assert seen["stalled"]["air_c"] > -14.0


def test_without_a_probe_it_runs_half_the_time(seen):
    assert seen["open"]["duty"] == pytest.approx(0.5, abs=0.03)


def test_a_stuck_probe_leaves_the_machine_as_it_is(seen):
    assert seen["stuck"]["duty"] in {0.0, 1.0}


def test_names_of_others_change_nothing(tmp_path):
    box = plant(tmp_path, unit(3.0))
    volts = box.electrics.nominal_v
    usual, odd = (
        effects_of(box.sizes, faults, nominal_v=volts) for faults in ({}, {"capacity": np.zeros(4)})
    )
    for name in type(usual).__dataclass_fields__:
        if name != "limits":
            assert np.array_equal(getattr(usual, name), getattr(odd, name))


def test_a_dead_coil_fan_counts_only_where_there_is_one(tmp_path):
    box = plant(
        tmp_path,
        unit(3.0, name="a"),
        unit(3.0, name="b"),
        physics='[[unit]]\nid = "a"\nevaporator_fan = true\n',
    )
    volts = box.electrics.nominal_v
    dead = effects_of(box.sizes, {"evaporator_fan": np.zeros(2)}, nominal_v=volts)
    assert dead.plate_w_per_k / box.sizes.plate_w_per_k == pytest.approx([FAN_DEAD_SHARE, 1.0])
