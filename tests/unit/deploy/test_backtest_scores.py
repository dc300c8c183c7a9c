import numpy as np
import pytest

from deploy.backtest_scores import Asked, counted_h, line_h, scores_of, table_of
from firmware_sim.branches import HORIZON_H
from services.analytics.power.frame import frame_of
from services.telemetry import Series
from services.timebase import HOUR_MS
from tests.helpers.made_supply import Story, settings_for


def asked(true_h, said, *, unit="1 unit-00", counted=50.0, line=80.0, chance=0.0):
    return Asked(
        unit,
        unit,
        False,  # noqa: FBT003 - whether it shares its bank
        0,
        true_h,
        np.array(said, dtype=float),
        "discharging",
        chance,
        counted,
        line,
        panels=False,
        true_warm_h=np.nan,
        said_warm_h=np.full(3, np.nan),
    )


def log(hours, *, volts, on=lambda minute: minute % 40 < 20):
    t_ms = np.arange(0, hours * HOUR_MS, 60_000, dtype=np.int64)
    state = np.array([on(m) for m in t_ms // 60_000], dtype=float)
    series = Series(t_ms, {"compressor_on": state, "battery_v": np.array([volts(t / HOUR_MS) for t in t_ms])})
    settings = settings_for(Story())
    return frame_of(series, settings, None), settings


def test_counting_knows_the_label_the_nameplate_and_the_last_charge():
    """100 Ah, 4.2 A half the time: 10 h after a drive 21 Ah are gone and 79 Ah last 37.6 h."""
    frame, settings = log(14, volts=lambda h: 14.2 if 2 <= h < 4 else 12.4)
    assert counted_h(frame, settings) == pytest.approx(79.0 / 2.1, rel=0.01)


def test_the_line_runs_down_to_the_cut_out():
    """0.05 V an hour from 12.6 V: 11.4 V after 24 h, of which 12 are over."""
    frame, settings = log(12, volts=lambda h: 12.6 - 0.05 * h)
    assert line_h(frame, settings) == pytest.approx(12.0, abs=0.3)


def test_a_line_that_does_not_fall_never_arrives():
    frame, settings = log(12, volts=lambda _: 12.5)
    assert line_h(frame, settings) == HORIZON_H


def test_scores_of_a_perfect_and_a_missed_forecast():
    found = scores_of([asked(20.0, (15.0, 20.0, 25.0)), asked(40.0, (10.0, 20.0, 30.0), unit="1 unit-01")])
    assert found.coverage == 0.5
    assert found.above_p90 == 0.5
    assert found.error == pytest.approx(0.25)
    assert found.pinball_h == pytest.approx(np.mean([0.5, 0.0, 0.5, 3.0, 10.0, 9.0]))
    assert found.counted_h == pytest.approx(np.mean([30.0 * 0.9, 15.0, 3.0, 10.0 * 0.9, 5.0, 1.0]))


def test_runs_past_the_horizon_are_scored_by_their_chance_alone():
    inside = asked(20.0, (15.0, 20.0, 25.0), chance=0.1)
    found = scores_of([inside, asked(HORIZON_H, (90.0, 150.0, HORIZON_H), chance=0.4)])
    assert (found.asked, found.beyond) == (2, 1)
    assert found.brier == pytest.approx((0.1**2 + 0.6**2) / 2.0)
    assert found.pinball_h == scores_of([inside]).pinball_h


def test_what_is_not_said_is_counted():
    silent = asked(20.0, (np.nan, np.nan, np.nan))
    found = scores_of([silent, asked(20.0, (15.0, 20.0, 25.0))])
    assert (found.asked, found.unsaid) == (2, 1)


def test_forecasts_of_one_bank_do_not_stand_alone():
    """Twenty misses of one bank are one miss."""
    good = [asked(20.0, (15.0, 20.0, 25.0), unit=f"1 unit-{k:02d}") for k in range(20)]
    bad = [asked(40.0, (15.0, 20.0, 25.0), unit="1 unit-99") for _ in range(20)]
    found = scores_of(good + bad)
    assert found.coverage_bank_se > 2.0 * found.coverage_se


def test_the_table_names_seeds_and_baselines():
    words = table_of(scores_of([asked(20.0, (15.0, 20.0, 25.0))]), seeds=[7, 9], vehicles=3, days=12.0)
    assert "seeds 7 9" in words
    assert "label counted" in words
    assert "beaten by two: yes" in words
