from dataclasses import replace

import numpy as np
import pytest

from firmware_sim.history import Block, Simulator
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.model import Fault
from firmware_sim.stops import StopKeeper
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.small_fleet import FLEET, write_small_fleet

START_MS = 20_400 * DAY_MS
SOUND = {
    "locked": 0,
    "alive": 1,
    "on": 1,
    "failed_starts": 0,
    "starved": 0,
    "unit_v": 12.3,
    "bank_v": 12.5,
    "soc": 0.8,
}


@pytest.fixture
def scenario(tmp_path):
    return load_scenario(write_small_fleet(tmp_path))


def block(rows, *, faults=None, unit_a=4.0, first_row=1):
    """Return a block from rows of what differs from a sound unit, for the first unit; the second is sound."""
    true = {}
    for name, usual in (SOUND | {"unit_a": unit_a, "condensing_c": 45.0}).items():
        values = np.full((len(rows), 2), float(usual))
        values[:, 0] = [row.get(name, usual) for row in rows]
        true[name] = values.astype(bool) if name in {"locked", "alive", "on"} else values
    t_ms = START_MS + 30_000 * np.arange(first_row, first_row + len(rows), dtype=np.int64)
    return Block(t_ms, true, {}, faults or {})


def stops(scenario, *blocks):
    keeper = StopKeeper(scenario)
    for one in blocks:
        keeper.take(one)
    assert keeper.of(1) == []
    return keeper.of(0)


LOW = {"unit_v": 11.2, "bank_v": 11.5, "soc": 0.1}
LOCKED = {"locked": 1, "on": 0, "unit_v": 11.8, "bank_v": 11.8, "soc": 0.1}


def test_a_flat_battery_is_told_with_its_times_and_the_volts_before(scenario):
    (stop,) = stops(scenario, block([{}, LOW, LOCKED, LOCKED, {}]))
    assert (stop.kind, stop.cause) == ("low_voltage", "battery_flat")
    assert (stop.start_ms, stop.end_ms) == (START_MS + 90_000, START_MS + 150_000)
    assert (stop.unit_v, stop.bank_v, stop.soc) == (11.2, 11.5, 0.1)


def test_a_stop_over_the_edge_of_a_block_is_one_stop(scenario):
    (stop,) = stops(
        scenario, block([{}, LOW]), block([LOCKED, LOCKED], first_row=3), block([{}], first_row=5)
    )
    assert (stop.start_ms, stop.end_ms, stop.unit_v) == (START_MS + 90_000, START_MS + 150_000, 11.2)


def test_a_stop_that_lasts_on_has_no_end(scenario):
    assert stops(scenario, block([LOW, LOCKED]))[0].end_ms is None


def test_it_is_the_wiring_when_sound_wiring_would_have_held(scenario):
    (stop,) = stops(scenario, block([{"unit_v": 11.3, "bank_v": 12.5}, LOCKED]))
    assert stop.cause == "wiring"


def test_it_is_the_charging_when_a_charger_of_the_bank_is_out(scenario):
    out = {"drive_a": np.array([0.0])}
    assert stops(scenario, block([LOW, LOCKED], faults=out))[0].cause == "charging"
    stuck = {"relay_stuck_open": np.array([1.0])}
    assert stops(scenario, block([LOW, LOCKED], faults=stuck))[0].cause == "charging"


def test_it_is_a_weak_battery_when_little_of_its_capacity_is_left(scenario):
    worn = {"capacity": np.array([0.5])}
    assert stops(scenario, block([LOW, LOCKED], faults=worn))[0].cause == "battery_weak"
    tired = {"resistance": np.array([2.2])}
    assert stops(scenario, block([LOW, LOCKED], faults=tired))[0].cause == "battery_weak"


def test_a_bank_that_was_always_poor_is_weak_without_any_fault(scenario):
    ((bank, physics),) = scenario.banks
    poor = replace(scenario, banks=((bank, physics.model_copy(update={"health": 0.4})),))
    assert stops(poor, block([LOW, LOCKED]))[0].cause == "battery_weak"


def test_a_cutout_set_too_high_is_the_cause_itself(tmp_path):
    fleet = FLEET.replace("cutout_v = 11.4", "cutout_v = 12.4")
    high = load_scenario(write_small_fleet(tmp_path, fleet=fleet))
    (stop,) = stops(high, block([{"unit_v": 12.3, "bank_v": 12.6}, LOCKED]))
    assert stop.cause == "limits"


def test_no_voltage_at_all_is_no_supply_even_while_locked(scenario):
    dead = LOCKED | {"unit_v": 0.0, "bank_v": 0.0, "alive": 0, "soc": 0.02}
    kinds = [stop.kind for stop in stops(scenario, block([LOW, LOCKED, dead, dead]))]
    assert kinds == ["low_voltage", "no_supply"]


def test_a_protection_board_that_opens_is_never_the_wirings_fault(scenario):
    rows = [{"unit_v": 12.2, "bank_v": 12.5, "soc": 0.02}, {"unit_v": 0.0, "bank_v": 0.0, "alive": 0}]
    (stop,) = stops(scenario, block(rows))
    assert (stop.kind, stop.cause) == ("no_supply", "battery_flat")


def test_electronics_that_go_out_at_low_voltage_are_a_brown_out(scenario):
    (stop,) = stops(scenario, block([LOW, LOW | {"alive": 0, "on": 0}]))
    assert stop.kind == "brown_out"


def test_a_machine_that_does_not_turn_is_one_stop_until_it_turns_again(scenario):
    rows = [{}, {"on": 0, "failed_starts": 1}, {"on": 0, "failed_starts": 2}, {"failed_starts": 2}]
    (stop,) = stops(scenario, block(rows))
    assert (stop.kind, stop.cause) == ("does_not_turn", "unit")
    assert (stop.start_ms, stop.end_ms) == (START_MS + 60_000, START_MS + 120_000)


def test_a_hot_machine_was_stopped_by_its_protector(scenario):
    rows = [{"condensing_c": 70.0}, {"on": 0, "failed_starts": 1, "condensing_c": 69.0}]
    assert "protector" in stops(scenario, block(rows))[0].why


def test_a_mains_unit_without_supply_was_interrupted(scenario):
    turned = replace(scenario, units=tuple(reversed(scenario.units)))
    dark = {"unit_v": 0.0, "alive": 0, "on": 0, "bank_v": np.nan, "soc": np.nan}
    (stop,) = stops(turned, block([{"bank_v": np.nan, "soc": np.nan}, dark]))
    assert (stop.kind, stop.cause) == ("no_supply", "supply_interrupted")


def test_a_voltage_too_low_for_a_start_is_not_the_machines_fault(scenario):
    rows = [{"starved": 1, "bank_v": 10.5, "soc": 0.05}, {"on": 0, "failed_starts": 1, "starved": 1}]
    (stop,) = stops(scenario, block(rows))
    assert (stop.kind, stop.cause) == ("does_not_turn", "battery_flat")
    assert "too little for a start" in stop.why


@pytest.mark.parametrize(("name", "words"), [("unplugged", "plug"), ("isolator_open", "isolator")])
def test_what_somebody_opened_is_told_as_such(scenario, name, words):
    dead = {"unit_v": 0.0, "alive": 0}
    (stop,) = stops(scenario, block([{}, dead, dead], faults={name: np.array([1.0, 0.0])}))
    assert (stop.kind, stop.cause) == ("no_supply", "supply_interrupted")
    assert words in stop.why


def test_a_cutout_somebody_turned_up_is_the_cause_while_the_file_would_have_let_it_run(scenario):
    turned = {"cutout_v_added": np.array([1.0, 0.0])}
    (stop,) = stops(scenario, block([{"unit_v": 12.3, "bank_v": 12.5}, LOCKED], faults=turned))
    assert (stop.cause, "turned up to 12.4 V" in stop.why) == ("limits", True)


def test_the_whole_simulation_tells_of_a_machine_that_does_not_turn(scenario):
    end_ms = START_MS + DAY_MS
    fault = Fault(kind="compressor_stalled", unit=scenario.unit_ids[0], begins_h_before=12.0, lasts_h=6.0)
    broken = replace(scenario, faults=(fault,))
    keeper = StopKeeper(broken)
    for one in Simulator(broken, anchor_ms=end_ms, start_ms=START_MS).blocks(end_ms):
        keeper.take(one)
    (stop,) = (stop for stop in keeper.of(0) if stop.kind == "does_not_turn")
    assert (stop.cause, stop.why) == ("unit", "told to run, does not turn")
    assert stop.start_ms - START_MS == pytest.approx(12 * HOUR_MS, abs=HOUR_MS)
    assert stop.end_ms - stop.start_ms == pytest.approx(6 * HOUR_MS, abs=HOUR_MS)
