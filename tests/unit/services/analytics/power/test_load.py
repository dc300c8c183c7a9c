import math

import numpy as np
import pytest

from services.analytics.power.frame import frame_of
from services.analytics.power.load import (
    HORIZON_H,
    STANDBY_W,
    Load,
    demand_of,
    duty_by_hour,
    load_of,
)
from services.analytics.power.shared import joined
from services.telemetry import Series
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.made_supply import Story, played, settings_for


def made(duty, *, days=4, ambient=None, amps=None):
    """Return a log whose machine runs a given share of each hour: duty(hour number)."""
    t_ms = np.arange(0, days * DAY_MS, 60_000, dtype=np.int64)
    minute = t_ms // 60_000
    share = np.array([duty(int(hour)) for hour in t_ms // HOUR_MS])
    on = (minute % 20 < share * 20).astype(float)
    columns = {"compressor_on": on}
    if ambient is not None:
        columns["ambient_c"] = np.array([ambient(int(hour)) for hour in t_ms // HOUR_MS], dtype=float)
    if amps is not None:
        columns["current_a"] = np.where(on > 0, amps, 0.1)
    return Series(t_ms, columns)


def demand(series, story=None):
    settings = settings_for(Story() if story is None else story)
    frame = frame_of(series, settings, None)
    end = int(series.t_ms[-1])
    return demand_of(frame, np.ones(len(frame), bool), settings, as_of_ms=end), settings, end


def test_duty_follows_the_hour_of_the_day_and_leaves_cut_outs_out():
    series = made(lambda hour: 0.5 if hour % 24 < 12 else 0.2, days=2)
    frame = frame_of(series, settings_for(Story()), None)
    shares, mean, seen_ms = duty_by_hour(frame, np.ones(len(frame), bool), as_of_ms=2 * DAY_MS)
    assert shares[:12] == pytest.approx(0.5, abs=0.07)  # an hour of the mean stands beside two of its own
    assert shares[12:] == pytest.approx(0.2, abs=0.07)
    assert float(np.mean(shares)) == pytest.approx(0.35, abs=0.02)
    assert mean == pytest.approx(0.35, abs=0.01)
    assert seen_ms == pytest.approx(2 * DAY_MS, abs=120_000)
    _, _, nothing = duty_by_hour(frame, np.zeros(len(frame), bool), as_of_ms=2 * DAY_MS)
    assert nothing == 0


def test_newer_days_count_more():
    series = made(lambda hour: 0.2 if hour < 96 else 0.6, days=8)
    frame = frame_of(series, settings_for(Story()), None)
    shares, mean, _ = duty_by_hour(frame, np.ones(len(frame), bool), as_of_ms=8 * DAY_MS)
    assert float(np.mean(shares)) > mean + 0.05


def test_under_two_hours_of_running_there_is_no_load_to_learn():
    found, _, _ = demand(played(Story(days=0.05)))
    assert found is None


def test_the_forecast_load_of_a_steady_unit_is_its_load():
    found, settings, end = demand(made(lambda _: 0.3, amps=5.0))
    load = load_of(found, settings, from_ms=end)
    assert load.mean_a == pytest.approx(0.3 * 5.0 + 0.7 * 0.1, rel=0.02)
    assert load.ah_by(24.0) == pytest.approx(24.0 * load.mean_a, rel=0.02)


def test_without_a_measured_current_the_nameplate_and_a_little_standby_count():
    found, settings, _ = demand(made(lambda _: 0.3))
    assert found.running_a == settings.running_a
    assert found.standby_a == pytest.approx(STANDBY_W / 12.0)


def test_a_hotter_day_ahead_is_expected_to_ask_for_more():
    """The air rose by 6 K on the last day; duty rose with it, and the forecast starts from there."""
    air = lambda hour: 26.0 if hour < 72 else 32.0  # noqa: E731
    hot, settings, end = demand(made(lambda hour: 0.3 if hour < 72 else 0.37, ambient=air))
    even, _, _ = demand(made(lambda _: 0.3175, ambient=lambda _: 27.5))
    first = load_of(hot, settings, from_ms=end).ah_by(12.0)
    assert first > 1.05 * load_of(even, settings, from_ms=end).ah_by(12.0)
    late = load_of(hot, settings, from_ms=end)
    assert late.ah_by(HORIZON_H) - late.ah_by(HORIZON_H - 12.0) < first


def test_days_that_differ_widen_the_range():
    steady, _, _ = demand(made(lambda _: 0.3, days=8))
    wild, _, _ = demand(made(lambda hour: 0.15 if hour // 24 % 2 else 0.45, days=8))
    assert wild.day_sd > 1.8 * steady.day_sd


def test_a_range_over_many_days_is_narrower_than_over_one():
    load = Load(np.arange(3.0), np.arange(3.0), 1.0, 0.2, steady_sd=0.05)
    assert load.sd_within(24.0) == pytest.approx(math.hypot(0.2, 0.05))
    assert load.sd_within(96.0) == pytest.approx(math.hypot(0.1, 0.05))


def test_sharers_of_unknown_load_multiply_it_and_widen_the_range_and_other_loads_add():
    found, alone, end = demand(made(lambda _: 0.3), Story(other_a=0.5))
    shared = alone.model_copy(update={"units_on_bank": 2})
    one, two = (load_of(found, settings, from_ms=end) for settings in (alone, shared))
    assert two.mean_a - 0.5 == pytest.approx(2 * (one.mean_a - 0.5))
    assert two.share_sd > one.share_sd


def test_a_sharers_own_duty_counts_hour_by_hour():
    found, alone, end = demand(made(lambda _: 0.3))
    hours = np.arange(96, dtype=np.int64) * HOUR_MS
    night = np.where(hours // HOUR_MS % 24 < 12, 2.0, 0.0)
    load = load_of(found, alone, from_ms=end, others=joined([(hours, night)]))
    own = load_of(found, alone, from_ms=end)
    assert load.ah_by(24.0) - own.ah_by(24.0) == pytest.approx(24.0, abs=0.1)
    assert load.share_sd == own.share_sd


def test_hours_and_charge_are_each_others_inverse():
    edges = np.arange(0.0, HORIZON_H + 1.0)
    load = Load(edges, edges * 2.0, 2.0, 0.12)
    assert load.hours_for(load.ah_by(12.5)) == pytest.approx(12.5)
    assert load.hours_for(1e6) == math.inf
