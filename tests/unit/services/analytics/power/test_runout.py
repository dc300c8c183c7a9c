import math

import numpy as np
import pytest

from services.analytics.power.capacity import Capacity
from services.analytics.power.charge import ChargeState
from services.analytics.power.drop import Drop
from services.analytics.power.habits import Sources
from services.analytics.power.load import HORIZON_H, Load
from services.analytics.power.runout import (
    Reserve,
    chance_until,
    futures_of,
    hours_without_charging,
    next_dawn_ms,
    normal_deviate,
    reserve_of,
    soc_at_cutout,
)
from services.domain import Site
from services.timebase import HOUR_MS, ms_of_iso
from tests.helpers.made_supply import START_MS, Story, played, settings_for

NONE = np.empty(0, dtype=np.int64)


def flat_load(amps=2.0, share_sd=0.12):
    edges = np.arange(0.0, HORIZON_H + 1.0)
    return Load(edges, edges * amps, amps, share_sd)


def state(soc=0.7, sd=0.08):
    return ChargeState(
        soc, sd, None, charging_now=False, full_ms=NONE, charge_ends_ms=NONE, charge_lengths_ms=NONE
    )


def sources(*, habit_a=0.0, chance=0.0, hours=(6, 7), sun_a=0.0):
    hour = np.arange(HORIZON_H)
    inside = np.isin(hour % 24, hours)
    return Sources(
        habit_a=np.where(inside, habit_a, 0.0),
        habit_chance=np.where(inside, chance, 0.0),
        sun_a=np.where(inside, sun_a, 0.0),
        day=hour // 24,
    )


def test_a_worse_path_means_stopping_at_a_fuller_battery():
    settings = settings_for(Story())
    levels = [
        soc_at_cutout(settings, cutout_v_12=11.4, drop=Drop(ohm, 1.0)) for ohm in (0.01, 0.07, 0.19, 0.29)
    ]
    assert levels == sorted(levels)
    assert levels[-1] - levels[0] > 0.4


def test_the_state_of_charge_at_the_cut_out_is_where_the_made_battery_really_stops():
    story = Story(days=3, soc=0.5, step_v=0.001)
    series = played(story)
    at = np.searchsorted(series.t_ms, story.stops[0][0])
    drawn = float(np.sum(series.columns["compressor_on"][:at])) * story.running_a / 60
    settings = settings_for(story)
    assert soc_at_cutout(settings, cutout_v_12=11.4, drop=Drop(0.07, 1.0)) == pytest.approx(
        story.soc - drawn / 100, abs=0.02
    )


def test_twice_the_voltage_at_half_the_current_stops_at_the_same_charge():
    small = settings_for(Story())
    large = settings_for(Story(nominal_v=24, running_a=2.1, capacity_ah=100, cutout_v=22.8)).model_copy(
        update={"running_a": 2.1}
    )
    a = soc_at_cutout(small, cutout_v_12=11.4, drop=Drop(0.09, 1.0))
    b = soc_at_cutout(large, cutout_v_12=11.4, drop=Drop(0.36, 1.0))
    assert a == pytest.approx(b, abs=0.05)


def test_the_normal_table_knows_its_quantiles():
    assert normal_deviate(np.array([0.1, 0.5, 0.975])) == pytest.approx([-1.28155, 0.0, 1.95996], abs=1e-4)


def test_chances_agree_with_the_quantiles():
    reserve = Reserve(30.0, 6.0, 0.1, 0.2)
    assert reserve.chance_of(reserve.ah_at(0.5)) == pytest.approx(0.5, abs=0.005)
    assert reserve.chance_of(reserve.ah_at(0.1)) == pytest.approx(0.9, abs=0.005)
    assert reserve.chance_of(0.0) == 1.0
    assert reserve.chance_of(1e3) == 0.0


def test_a_sharp_reserve_is_spread_by_its_charge_and_the_load_together():
    reserve = Reserve(30.0, 3.0, 0.1, 0.2)
    low, mid, high = (reserve.ah_at(level) for level in (0.1, 0.5, 0.9))
    assert mid == pytest.approx(30.0, rel=0.01)
    assert (high - low) / 2.0 == pytest.approx(1.2816 * math.hypot(3.0, 3.0), rel=0.05)


def test_a_unit_that_still_runs_has_something_left_however_empty_it_seems():
    reserve = Reserve(-5.0, 5.0, 0.1, 0.2)
    assert 0.0 < reserve.ah_at(0.1) < reserve.ah_at(0.5) < 5.0
    assert float(np.min(reserve.members_ah)) >= 0.0


def test_the_same_reserve_is_spread_the_same_way_every_time():
    first, second = (Reserve(20.0, 4.0, 0.1, 0.2).members_ah for _ in range(2))
    assert first.tolist() == second.tolist()


def test_a_margin_below_nothing_still_gives_a_small_reserve():
    reserve = reserve_of(state(0.1), Capacity(100, 0.1, None), soc_cut=0.3, left_share=0.0, load=flat_load())
    assert 0 < reserve.ah <= 1.0


def test_hours_are_charge_over_current():
    low, mid, high = hours_without_charging(Reserve(40.0, 1e-6, 1e-6, 0.2), flat_load(2.0))
    assert (low, mid, high) == pytest.approx((20.0, 20.0, 20.0), abs=0.01)


def test_dawn_is_six_by_the_sites_clock():
    site = Site(id="vehicle-3", name="Vehicle 3", kind="vehicle", timezone="Africa/Lusaka")
    settings = settings_for(Story()).model_copy(update={"site": site})
    assert next_dawn_ms(ms_of_iso("2026-03-01T18:00:00Z"), settings) == ms_of_iso("2026-03-02T04:00:00Z")
    assert next_dawn_ms(ms_of_iso("2026-03-01T04:00:00Z"), settings) == ms_of_iso("2026-03-02T04:00:00Z")
    assert next_dawn_ms(ms_of_iso("2026-03-01T03:59:00Z"), settings) == ms_of_iso("2026-03-01T04:00:00Z")


def test_the_chance_falls_as_the_moment_lies_further():
    reserve = Reserve(20.0, 5.0, 0.1, 0.2)
    chances = [
        chance_until(reserve, flat_load(), at_ms=START_MS + h * HOUR_MS, from_ms=START_MS)
        for h in (0, 5, 9, 12)
    ]
    assert chances[0] == 1.0
    assert chances == sorted(chances, reverse=True)
    assert chances[2] == pytest.approx(reserve.chance_of(18.0))


def test_without_charging_futures_end_where_the_reserve_does():
    reserve = Reserve(40.0, 1e-6, 1e-6, 0.2)
    found = futures_of(reserve, flat_load(), sources(), full_ah=60.0, coulombic_share=0.85)
    assert found.quantile_h(0.5) == pytest.approx(20.0, abs=0.05)


def test_a_drive_that_always_comes_and_gives_enough_carries_on_for_a_week():
    reserve = Reserve(40.0, 4.0, 0.05, 0.2)
    found = futures_of(
        reserve, flat_load(1.0), sources(habit_a=20.0, chance=1.0), full_ah=60.0, coulombic_share=0.85
    )
    assert found.chance_beyond(HORIZON_H - 1) > 0.99
    assert found.quantile_h(0.1) == math.inf


def test_a_drive_that_may_not_come_leaves_some_futures_short():
    reserve = Reserve(30.0, 3.0, 0.05, 0.2)
    found = futures_of(
        reserve, flat_load(1.0), sources(habit_a=20.0, chance=0.5), full_ah=60.0, coulombic_share=0.85
    )
    assert 0.02 < found.chance_beyond(48.0) < 0.98
    assert found.quantile_h(0.1) < found.quantile_h(0.9)


def test_a_full_bank_takes_no_more():
    """Forty ampere-hours on top of a nearly full bank cannot outlast a full one."""
    found = futures_of(
        Reserve(58.0, 1e-6, 1e-6, 0.2),
        flat_load(2.0),
        sources(habit_a=40.0, chance=1.0, hours=(0,)),
        full_ah=60.0,
        coulombic_share=1.0,
    )
    assert found.quantile_h(0.5) == math.inf or found.quantile_h(0.5) >= 29.0
    once = sources(habit_a=40.0, chance=1.0, hours=(0,))
    only_today = Sources(np.where(once.day == 0, once.habit_a, 0.0), once.habit_chance, once.sun_a, once.day)
    ends = futures_of(
        Reserve(58.0, 1e-6, 1e-6, 0.2), flat_load(2.0), only_today, full_ah=60.0, coulombic_share=1.0
    )
    assert 28.9 < ends.quantile_h(0.5) < 30.6
