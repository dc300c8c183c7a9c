import math

import numpy as np
import pytest

from services.analytics.power.charge import Capacity, ChargeState
from services.analytics.power.frame import frame_of
from services.analytics.power.runout import (
    HORIZON_H,
    Load,
    Reserve,
    duty_by_hour,
    lasts_until,
    load_of,
    log_sd,
    moves,
    next_dawn_ms,
    reserve_of,
    soc_at_cutout,
    usual_charge_end_ms,
)
from services.domain import Food, Site
from services.telemetry import Series
from services.timebase import DAY_MS, HOUR_MS, ms_of_iso
from tests.helpers.made_supply import START_MS, Story, played, settings_for

NONE = np.empty(0, dtype=np.int64)


def flat_load(amps=2.0):
    edges = np.arange(0.0, HORIZON_H + 1.0)
    return Load(edges, edges * amps, amps, 0.12)


def state(soc=0.7, sd=0.08):
    return ChargeState(soc, sd, None, charging_now=False, full_ms=NONE, charge_ends_ms=NONE)


def test_a_worse_path_means_stopping_at_a_fuller_battery():
    settings = settings_for(Story())
    levels = [soc_at_cutout(settings, cutout_v_12=11.4, source_ohm=ohm) for ohm in (0.02, 0.08, 0.2, 0.3)]
    assert levels == sorted(levels)
    assert levels[-1] - levels[0] > 0.4


def test_the_state_of_charge_at_the_cut_out_is_where_the_made_battery_really_stops():
    story = Story(days=3, soc=0.5, step_v=0.001)
    series = played(story)
    at = np.searchsorted(series.t_ms, story.stops[0][0])
    drawn = float(np.sum(series.columns["compressor_on"][:at])) * story.running_a / 60
    settings = settings_for(story)
    assert soc_at_cutout(settings, cutout_v_12=11.4, source_ohm=0.07 + 0.0084) == pytest.approx(
        story.soc - drawn / 100, abs=0.02
    )


def test_twice_the_voltage_at_half_the_current_stops_at_the_same_charge():
    small = settings_for(Story())
    large = settings_for(Story(nominal_v=24, running_a=2.1, capacity_ah=100, cutout_v=22.8)).model_copy(
        update={"running_a": 2.1}
    )
    a = soc_at_cutout(small, cutout_v_12=11.4, source_ohm=0.1)
    b = soc_at_cutout(large, cutout_v_12=11.4, source_ohm=0.4)
    assert a == pytest.approx(b, abs=0.05)


def test_duty_follows_the_hour_of_the_day_and_leaves_cut_outs_out():
    t_ms = np.arange(0, 2 * DAY_MS, 60_000, dtype=np.int64)
    hour = t_ms // HOUR_MS % 24
    on = np.where(hour < 12, (t_ms // 60_000 % 10) < 5, (t_ms // 60_000 % 10) < 2).astype(float)
    frame = frame_of(Series(t_ms, {"compressor_on": on}), settings_for(Story()), None)
    shares, mean, seen_ms = duty_by_hour(frame, np.ones(len(frame), bool), as_of_ms=2 * DAY_MS)
    assert shares[:12] == pytest.approx(0.5, abs=0.01)
    assert shares[12:] == pytest.approx(0.2, abs=0.01)
    assert mean == pytest.approx(0.35, abs=0.01)
    assert seen_ms == pytest.approx(2 * DAY_MS, abs=120_000)
    _, _, nothing = duty_by_hour(frame, np.zeros(len(frame), bool), as_of_ms=2 * DAY_MS)
    assert nothing == 0


def test_sharers_multiply_and_the_banks_other_load_adds():
    series = played(Story(days=1))
    alone = settings_for(Story(other_a=0.5))
    shared = alone.model_copy(update={"units_on_bank": 2})
    frame = frame_of(series, alone, None)
    ordinary = np.ones(len(frame), bool)
    end = int(series.t_ms[-1])
    one = load_of(frame, ordinary, alone, from_ms=end, as_of_ms=end)
    two = load_of(frame, ordinary, shared, from_ms=end, as_of_ms=end)
    assert two.mean_a - 0.5 == pytest.approx(2 * (one.mean_a - 0.5))


def test_under_two_hours_of_running_there_is_no_load_to_learn():
    series = played(Story(days=0.05))
    frame = frame_of(series, settings_for(Story()), None)
    end = int(series.t_ms[-1])
    assert load_of(frame, np.ones(len(frame), bool), settings_for(Story()), from_ms=end, as_of_ms=end) is None


def test_hours_and_charge_are_each_others_inverse():
    load = flat_load()
    assert load.hours_for(load.ah_by(12.5)) == pytest.approx(12.5)
    assert load.hours_for(1e6) == math.inf


def test_chances_agree_with_the_quantiles():
    reserve = Reserve(30.0, 0.3, 0.2)
    assert reserve.chance_of(reserve.ah_at(0.0)) == pytest.approx(0.5)
    assert reserve.chance_of(reserve.ah_at(-1.2815515655)) == pytest.approx(0.9)
    assert reserve.chance_of(0.0) == 1.0


def test_a_margin_below_nothing_still_gives_a_small_reserve():
    reserve = reserve_of(state(0.1), Capacity(100, 0.1, None), soc_cut=0.3, load_sd=0.1)
    assert 0 < reserve.ah <= 1.0


def test_a_small_spread_adds_in_squares():
    assert log_sd(capacity_share_sd=0.3, margin_share_sd=0.0, load_sd=0.4) == pytest.approx(0.5)


def test_dawn_is_six_by_the_sites_clock():
    site = Site(id="vehicle-3", name="Vehicle 3", kind="vehicle", timezone="Africa/Lusaka")
    settings = settings_for(Story()).model_copy(update={"site": site})
    assert next_dawn_ms(ms_of_iso("2026-03-01T18:00:00Z"), settings) == ms_of_iso("2026-03-02T04:00:00Z")
    assert next_dawn_ms(ms_of_iso("2026-03-01T04:00:00Z"), settings) == ms_of_iso("2026-03-02T04:00:00Z")
    assert next_dawn_ms(ms_of_iso("2026-03-01T03:59:00Z"), settings) == ms_of_iso("2026-03-01T04:00:00Z")


def test_the_chance_at_dawn_falls_as_dawn_is_further():
    reserve = Reserve(20.0, 0.3, 0.2)
    near = lasts_until(
        reserve, flat_load(), from_ms=START_MS, as_of_ms=START_MS, settings=settings_for(Story())
    )
    hours = (near.at - START_MS) / HOUR_MS
    assert near.name == "dawn"
    assert near.chance == pytest.approx(reserve.chance_of(2.0 * hours))


def test_charging_with_a_habit_is_expected_to_end_at_its_hour_and_without_one_is_not():
    ends = np.array([START_MS, START_MS + DAY_MS, START_MS + 2 * DAY_MS + 600_000], dtype=np.int64)
    as_of = START_MS + 3 * DAY_MS - 3 * HOUR_MS
    assert usual_charge_end_ms(ends, as_of) == START_MS + 3 * DAY_MS
    assert usual_charge_end_ms(ends[:1], as_of) is None
    scattered = np.array([START_MS, START_MS + DAY_MS + 9 * HOUR_MS], dtype=np.int64)
    assert usual_charge_end_ms(scattered, as_of) is None


def moved(classes, *, food_c=2.0, limit_c=7.0, soc=0.5):
    settings = settings_for(Story())
    settings = settings.model_copy(
        update={"classes": classes, "unit": settings.unit.model_copy(update={"food": Food(classes=classes)})}
    )
    found = moves(
        state(soc),
        Reserve(25.0, 0.3, 0.2),
        flat_load(),
        Capacity(100, 0.1, None),
        settings,
        food_limit_c=limit_c,
        food_c=food_c,
        ambient_c=32.0,
    )
    return {move.action: move for move in found}


@pytest.mark.parametrize("barred", ["poultry", "fish", "frozen_fish", "medicine", "unknown"])
def test_the_set_point_is_never_raised_for_what_must_not_warm(barred):
    assert "set_point" not in moved((barred, "drinks"))
    assert "set_point" in moved(("red_meat",))


def test_the_set_point_is_not_raised_near_the_limit():
    assert "set_point" not in moved(("red_meat",), limit_c=5.0)
    assert "set_point" not in moved(("red_meat",), food_c=6.5)
    assert "set_point" not in moved(("red_meat",), food_c=None)


def test_an_hour_of_charging_gains_what_it_puts_in_and_nothing_when_full():
    assert moved(("red_meat",))["charge"].gain_hours == pytest.approx(0.2 * 100 * 0.85 / 2.0)
    assert "charge" not in moved(("red_meat",), soc=1.0)
