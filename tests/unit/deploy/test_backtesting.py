from dataclasses import replace

import numpy as np
import pytest

from deploy.backtest_trial import CASES, trial
from deploy.backtesting import _outages, fresh_seeds, play, reseeded
from firmware_sim.scenarios.fault_kinds import KINDS
from firmware_sim.scenarios.parts import part_of
from services.timebase import DAY_MS, HOUR_MS

END_MS = 20_500 * DAY_MS
MINUTE = 60_000


@pytest.fixture(scope="module")
def played():
    start_ms = END_MS - DAY_MS // 2
    made = trial(3, start_ms=start_ms, end_ms=END_MS)
    return {one.unit: one for one in play(made.scenario, start_ms=start_ms, end_ms=END_MS, moves=made.moves)}


def test_seeds_are_fresh_each_time():
    assert fresh_seeds(5) != fresh_seeds(5)
    assert len(set(fresh_seeds(50))) > 40


def test_one_seed_makes_one_fleet_and_another_seed_another():
    spans = {"start_ms": END_MS - DAY_MS, "end_ms": END_MS}
    assert trial(7, **spans) == trial(7, **spans)
    assert trial(7, **spans).scenario.units != trial(8, **spans).scenario.units
    assert reseeded(trial(7, **spans).scenario, 9).seed == 9


def test_every_fault_that_stops_a_compressor_or_looks_like_it_has_its_case():
    tried = {entry["kind"] for case in CASES for entry in case.faults}
    assert tried <= set(KINDS)
    assert any(case.moved is not None for case in CASES)
    stopping = {
        "unplugged",
        "switched_off",
        "cutout_turned",
        "weak_battery",
        "sulphated_bank",
        "failed_charger",
        "relay_stuck_open",
        "relay_stuck_closed",
        "corroded_joint",
        "undersized_cable",
        "gateway_brownout",
        "compressor_stalled",
        "condenser_fan_dead",
        "blocked_niche",
    }
    assert tried >= stopping


def test_every_unit_that_runs_brings_its_samples_settings_and_truth(played):
    assert set(played) == {case.name for case in CASES}
    sound = played["sound-drives"]
    assert sound.settings.unit.id == "sound-drives"
    assert sound.series.t_ms.size == sound.soc.size
    assert (sound.outages, sound.stops) == ((), ())


def test_a_person_who_switches_it_off_leaves_samples_and_an_outage_and_a_pulled_plug_leaves_none():
    """What happens to both days before the end of a trial happens within two days here."""
    start_ms = END_MS - 2 * DAY_MS
    made = trial(3, start_ms=start_ms, end_ms=END_MS)
    keep = [
        k for k, (unit, _) in enumerate(made.scenario.units) if unit.id in {"plug-pulled", "switched-off"}
    ]
    some = part_of(made.scenario, keep)
    sooner = [f.model_copy(update={"begins_d_before": f.begins_d_before - 3.25}) for f in some.faults]
    some = replace(some, faults=tuple(fault for fault in sooner if fault.begins_d_before > 0.0))
    found = {one.unit: one for one in play(some, start_ms=start_ms, end_ms=END_MS)}
    off, pulled = found["switched-off"], found["plug-pulled"]
    assert off.outages
    assert np.diff(off.series.t_ms).max() <= 2 * MINUTE
    assert pulled.stops[0].cause == "supply_interrupted"
    assert np.diff(pulled.series.t_ms).max() >= 6 * HOUR_MS


def test_short_tries_do_not_split_an_outage_and_a_real_run_does():
    t_ms = np.arange(200, dtype=np.int64) * MINUTE
    turning = np.zeros(200, dtype=bool)
    turning[20:22] = turning[60:90] = True
    missing = ~turning
    missing[:10] = missing[90:150] = False
    outages = _outages(t_ms, missing, turning, np.zeros(200, dtype=bool))
    assert [(o.start_ms // MINUTE, None if o.end_ms is None else o.end_ms // MINUTE) for o in outages] == [
        (10, 60),
        (150, None),
    ]
    assert outages[0].missing_ms == 48 * MINUTE
