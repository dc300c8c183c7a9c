"""Situations of the field, each simulated, and what the analytics make of it.

A consistency check, not an outside one: simulator and analytics were both written here.
"""

from dataclasses import replace

import pytest

from deploy.backtest_trial import trial
from deploy.backtesting import Moved, play
from firmware_sim.scenarios.parts import part_of
from services.analytics.power.assess import power
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, datetime_of

END_MS = 20_500 * DAY_MS
START_MS = END_MS - 7 * DAY_MS
NAMES = (
    "isolator-off",
    "voltage-stuck",
    "voltage-twice",
    "worn-both-ends",
    "cut-out-turned-up",
    "half-tapped",
    "moved-to-weak-bank",
    "worn-from-the-start",
    "stalled",
    "switched-off",
    "generator-nights",
)


@pytest.fixture(scope="module")
def played():
    made = trial(11, start_ms=START_MS, end_ms=END_MS)
    ids = [unit.id for unit, _ in made.scenario.units]
    some = part_of(made.scenario, [ids.index(name) for name in NAMES])
    units = [unit.id for unit, _ in some.units]
    banks = [bank.id for bank, _ in some.banks]
    (move,) = made.moves
    moves = (
        Moved(
            units.index("moved-to-weak-bank"),
            banks.index("b-worn-from-the-start"),
            move.start_ms,
            move.end_ms,
        ),
    )
    return {one.unit: one for one in play(some, start_ms=START_MS, end_ms=END_MS, moves=moves)}


def answer(one, **more):
    as_of_ms = int(one.series.t_ms[-1]) + MINUTE_MS
    return power(one.series, one.settings, as_of_ms=as_of_ms, food_limit_c=5.0, **more)


def found(result):
    return [finding.finding for finding in result.findings]


def test_an_open_isolator_is_an_interrupted_supply_and_not_the_battery(played):
    causes = {event.cause for event in answer(played["isolator-off"]).cutouts}
    assert causes == {"supply_interrupted"}


@pytest.mark.parametrize(("name", "flag"), [("voltage-stuck", "stuck"), ("voltage-twice", "scaled")])
def test_no_run_out_is_built_on_a_voltage_that_is_none(played, name, flag):
    result = answer(played[name])
    assert (result.sensors[-1].flag, result.sensors[-1].end) == (flag, None)
    assert result.runout.reason == "not_enough_data"
    assert result.battery.state_of_charge is None


def test_two_voltages_tell_a_worn_bank_from_its_cable(played):
    result = answer(played["worn-both-ends"])
    path = result.battery.supply_path
    assert {event.cause for event in result.cutouts} == {"battery_weak"}
    assert path.wires_ohm < path.ohm - 0.02
    assert not path.worn


def test_a_cut_out_somebody_turned_up_is_told_as_limits(played):
    one = played["cut-out-turned-up"]
    events = answer(one).cutouts
    assert all(event.cause == "limits" for event in events)
    assert bool(events) == any(stop.cause == "limits" for stop in one.stops)


def test_a_tapped_half_is_told_as_weak_or_drawn_on_with_what_to_measure(played):
    events = [event for event in answer(played["half-tapped"]).cutouts if event.cause == "battery_weak"]
    assert events
    assert all("each 12 V half" in event.why for event in events)


def test_a_tap_that_is_told_explains_what_a_flat_bank_lost_and_no_charge_is_made_up(played):
    one = played["half-tapped"]
    bank = one.settings.bank.model_copy(update={"half_tap_a": 1.5})
    settings = one.settings.model_copy(update={"bank": bank})
    result = answer(replace(one, settings=settings))
    assert {event.cause for event in result.cutouts} == {"battery_flat"}
    assert result.battery.state_of_charge is None
    running = int(one.series.t_ms[-1]) - 12 * HOUR_MS
    earlier = answer(replace(one, settings=settings, series=one.series.between(START_MS, running)))
    assert earlier.runout.reason == "not_enough_data"


def test_a_unit_that_moved_is_judged_by_what_it_did_on_its_own_bank_only(played):
    one = played["moved-to-weak-bank"]
    (move,) = one.moves
    mixed, split = answer(one), answer(one, since_ms=move.start_ms)
    before = answer(replace(one, series=one.series.between(START_MS, move.start_ms)))
    assert {event.start >= move.start_ms for event in split.cutouts} == {True}
    assert before.cutouts == ()
    assert split.battery.source_resistance_ohm != pytest.approx(mixed.battery.source_resistance_ohm, rel=0.01)
    assert split.battery.source_resistance_ohm > 1.2 * before.battery.source_resistance_ohm
    supply = one.settings.unit.supply.model_copy(update={"since": datetime_of(move.start_ms)})
    unit = one.settings.unit.model_copy(update={"supply": supply})
    told = answer(replace(one, settings=one.settings.model_copy(update={"unit": unit})))
    assert (told.cutouts, told.battery, told.runout) == (split.cutouts, split.battery, split.runout)


def test_a_machine_that_does_not_turn_and_one_that_is_off_are_the_units_own(played):
    for name in ("stalled", "switched-off"):
        one = played[name]
        (event,) = answer(one).cutouts
        assert event.cause == "unit"
    assert [stop.kind for stop in played["stalled"].stops] == ["does_not_turn"]


def test_one_that_is_switched_off_and_said_to_be_stored_is_no_cut_out(played):
    one = played["switched-off"]
    off = next(fault for fault in one.faults if fault.kind == "switched_off")
    unit = one.settings.unit.model_copy(update={"state": "off"})
    settings = one.settings.model_copy(update={"unit": unit})
    until_ms = off.ends_ms - HOUR_MS // 2
    series = one.series.between(START_MS, until_ms)
    result = power(series, settings, as_of_ms=until_ms, food_limit_c=5.0)
    used = power(series, one.settings, as_of_ms=until_ms, food_limit_c=5.0)
    assert [event.end for event in used.cutouts] == [None]
    assert result.cutouts == ()


def test_nights_without_the_generator_are_its_own_and_never_a_flat_battery(played):
    result = answer(played["generator-nights"])
    assert {event.cause for event in result.cutouts} == {"supply_interrupted"}
    assert result.runout.reason == "no_battery"
    assert all("generator" in event.why for event in result.cutouts)
