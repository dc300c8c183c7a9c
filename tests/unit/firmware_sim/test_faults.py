from dataclasses import replace

import numpy as np
import pytest

from firmware_sim.faults import GRID_MS, GROWTH_GRID_MS, NEVER_MS, Faults, grown, on_grid_ms
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.model import Fault
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.small_fleet import write_small_fleet

ANCHOR_MS = 20_400 * DAY_MS


@pytest.fixture
def faults(tmp_path):
    scenario = load_scenario(write_small_fleet(tmp_path))

    def made(*rows):
        return Faults(replace(scenario, faults=tuple(Fault(**row) for row in rows)), anchor_ms=ANCHOR_MS)

    return made


LEAK = {"kind": "refrigerant_leak", "unit": "cart-meat", "begins_h_before": 100.0, "grows_h": 40.0}


def test_without_faults_nothing_is_moved_and_nothing_changes(faults):
    assert faults().multipliers(ANCHOR_MS) == {}
    assert faults().next_change_ms(ANCHOR_MS) == NEVER_MS


def test_a_growing_fault_goes_from_sound_to_its_full_extent_on_its_unit_alone(faults):
    leak = faults(LEAK)
    at = [ANCHOR_MS - h * HOUR_MS for h in (101, 100, 80, 60, 1)]
    values = np.array([leak.multipliers(t)["charge_ratio"] for t in at])
    assert values[:, 0] == pytest.approx([1.0, 1.0, 1 - 0.55 / 2, 0.45, 0.45])
    assert (values[:, 1] == 1.0).all()


def test_an_amount_replaces_the_kinds_own_extent(faults):
    leak = faults(LEAK | {"amount": 0.7})
    assert leak.multipliers(ANCHOR_MS)["charge_ratio"][0] == pytest.approx(0.7)


def test_a_repaired_fault_is_gone_from_its_end_on(faults):
    dead = faults(
        {"kind": "condenser_fan_dead", "unit": "cart-meat", "begins_h_before": 10.0, "lasts_h": 2.0}
    )
    begin, end = int(dead.begins_ms[0]), int(dead.ends_ms[0])
    assert [dead.multipliers(t)["condenser_fan"][0] for t in (begin - 1, begin, end - 1, end)] == [1, 0, 0, 1]


def test_faults_of_banks_move_bank_rows(faults):
    weak = faults({"kind": "weak_battery", "bank": "cart-bank", "begins_h_before": 10.0, "grows_h": 0.0})
    assert weak.multipliers(ANCHOR_MS)["capacity"] == pytest.approx([0.35])
    assert weak.multipliers(ANCHOR_MS)["resistance"] == pytest.approx([2.5])


def test_two_faults_on_one_parameter_multiply_or_add(faults):
    both = faults(
        LEAK,
        LEAK | {"amount": 0.5},
        {"kind": "blocked_niche", "unit": "hall-frozen", "begins_h_before": 5.0, "amount": 3.0},
        {"kind": "blocked_niche", "unit": "hall-frozen", "begins_h_before": 5.0, "amount": 4.0},
    ).multipliers(ANCHOR_MS)
    assert both["charge_ratio"][0] == pytest.approx(0.45 * 0.5)
    assert both["niche_k"].tolist() == [0.0, 7.0]


def test_each_clock_reset_counts_one_more(faults):
    resets = [{"kind": "clock_reset", "unit": "cart-meat", "begins_h_before": float(h)} for h in (30, 20, 10)]
    counts = faults(*resets).over(ANCHOR_MS - HOUR_MS * np.array([31, 29, 15, 1]))["clock_resets"][:, 0]
    assert counts.tolist() == [0.0, 1.0, 2.0, 3.0]


def test_a_wrong_clock_is_wrong_by_its_step_for_as_long_as_it_lasts(faults):
    step = {"kind": "clock_reset", "unit": "cart-meat", "begins_h_before": 30.0, "clock_step_s": -5400.0}
    moved = faults(step | {"lasts_h": 10.0}, step | {"clock_step_s": 60.0, "begins_h_before": 5.0})
    values = moved.over(ANCHOR_MS - HOUR_MS * np.array([31, 29, 15, 1]))["clock_step_s"][:, 0]
    assert values.tolist() == [0.0, -5400.0, 0.0, 60.0]
    told = moved.told()
    assert told[0].ends_ms == told[0].begins_ms + 10 * HOUR_MS
    assert told[1].ends_ms is None
    assert told[0].parameters == {"clock_step_s": -5400.0}


def test_a_failed_charger_takes_away_its_own_source_only(faults):
    moved = faults(
        {"kind": "failed_charger", "bank": "cart-bank", "source": "solar", "begins_h_before": 9.0}
    ).multipliers(ANCHOR_MS)
    assert {name: values.tolist() for name, values in moved.items()} == {"panel_w": [0.0]}


def test_an_exchanged_board_reads_the_other_units_cabinet(faults):
    swap = faults(
        {"kind": "swapped_identity", "unit": "cart-meat", "other": "hall-frozen", "begins_h_before": 9.0}
    )
    assert swap.multipliers(ANCHOR_MS)["reports_as"].tolist() == [1.0, 1.0]
    assert swap.multipliers(ANCHOR_MS - 10 * HOUR_MS)["reports_as"].tolist() == [0.0, 1.0]


def test_at_h_is_the_sites_own_clock(faults):
    ajar = faults(
        {"kind": "lid_ajar", "unit": "cart-meat", "begins_h_before": 30.0, "at_h": 18.0, "lasts_h": 1.0}
    )
    # Lusaka is two hours ahead of UTC: 18:00 there is 16:00 UTC, the last before 30 h ago is 32 h ago
    assert (ANCHOR_MS - int(ajar.begins_ms[0])) / HOUR_MS == pytest.approx(32.0)


def test_nothing_moves_before_the_next_change(faults):
    busy = faults(
        LEAK | {"grows_h": 7.3, "begins_h_before": 9.1},
        {"kind": "sensor_open", "unit": "hall-frozen", "begins_h_before": 6.4, "lasts_h": 1.7},
    )
    t_ms, end_ms, changes = ANCHOR_MS - 12 * HOUR_MS, ANCHOR_MS, 0
    while t_ms < end_ms:
        following = min(busy.next_change_ms(t_ms), end_ms)
        assert following > t_ms
        between = busy.over(np.arange(t_ms, following, GRID_MS // 2))
        assert all((values == values[0]).all() for values in between.values())
        t_ms, changes = following, changes + 1
    assert 5 <= changes <= 10


def test_times_fall_on_the_grid_and_the_told_ones_are_those_that_act(faults):
    busy = faults(LEAK | {"begins_h_before": 9.123, "grows_h": 5.0, "lasts_h": 8.0, "label": "valve core"})
    told = busy.told()[0]
    assert told.label == "valve core"
    assert told.begins_ms % GRID_MS == 0
    assert told.full_ms % GROWTH_GRID_MS == 0
    assert busy.multipliers(told.full_ms)["charge_ratio"][0] == pytest.approx(0.45)
    assert busy.multipliers(told.full_ms - 1)["charge_ratio"][0] > 0.45
    assert busy.multipliers(told.ends_ms)["charge_ratio"][0] == 1.0
    assert told.parameters == {"charge_ratio": 0.45}
    assert on_grid_ms(GRID_MS) == GRID_MS
    assert on_grid_ms(GRID_MS + 1) == 2 * GRID_MS


@pytest.mark.parametrize("law", ["linear", "slow_then_fast", "fast_then_slow"])
def test_every_law_grows_from_nothing_to_all_and_never_back(law):
    course = grown(np.linspace(0.0, 1.0, 50), law)
    assert course[0] == 0.0
    assert course[-1] == pytest.approx(1.0)
    assert (np.diff(course) > 0.0).all()
