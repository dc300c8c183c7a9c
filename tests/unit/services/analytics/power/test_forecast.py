import numpy as np
import pytest

from services.analytics.power.assess import power
from services.domain import Unit, UnitSettings
from services.domain.lasting import chance_until
from services.telemetry import Series
from services.timebase import HOUR_MS
from tests.helpers.made_supply import START_MS, Story, played, settings_for

SUN = lambda m: 12.0 if 400 < m % 1440 < 900 else 0.0  # noqa: E731


def runout(story, settings=None, *, as_of_ms=None):
    series = played(story)
    settings = settings_for(story) if settings is None else settings
    as_of_ms = int(series.t_ms[-1]) if as_of_ms is None else as_of_ms
    return power(series, settings, as_of_ms=as_of_ms, food_limit_c=5.0).runout, as_of_ms


def test_the_true_run_out_lies_in_the_range():
    whole = Story(days=4, soc=0.8)
    played(whole)
    truth = (whole.stops[0][0] - (START_MS + 24 * HOUR_MS)) / HOUR_MS
    found, _ = runout(Story(days=1, soc=0.8))
    assert found.reason == "discharging"
    assert found.hours_p10 < truth < found.hours_p90
    assert found.hours_p50 == pytest.approx(truth, rel=0.35)


def test_food_at_risk_is_run_out_and_hold_over_joined():
    found, as_of_ms = runout(Story(days=1, soc=0.8))
    risk = found.food_at_risk
    for hours, stays, at in (
        (found.hours_p10, risk.holdover_hours.p10, risk.from_p10),
        (found.hours_p50, risk.holdover_hours.p50, risk.from_p50),
        (found.hours_p90, risk.holdover_hours.p90, risk.from_p90),
    ):
        assert (at - as_of_ms) / HOUR_MS == pytest.approx(hours + stays, abs=1e-4)


def test_cut_out_now_means_no_hours_left_and_the_hold_over_runs():
    found, as_of_ms = runout(Story(days=3, soc=0.3, warm_h=20))
    assert found.reason == "cut_out"
    assert (found.hours_p10, found.hours_p50, found.hours_p90) == (0.0, 0.0, 0.0)
    assert found.food_at_risk.from_p10 >= as_of_ms


def test_mains_has_no_battery_to_run_out():
    found, _ = runout(Story(days=1), settings_for(Story(), kind="mains"))
    assert found.reason == "no_battery"
    assert found.hours_p50 is None
    assert "mains" in found.hours_p50_reason
    assert found.food_at_risk.holdover_hours is not None
    assert found.food_at_risk.from_p50 is None


def test_without_capacity_and_chemistry_the_missing_words_are_named():
    bare = UnitSettings.of(Unit(id="unit-1", kind="fridge", interval_s=60))
    found, _ = runout(Story(days=1), bare)
    assert found.reason == "not_enough_data"
    assert found.hours_p10 is None
    assert "capacity and chemistry" in found.hours_p10_reason


def test_a_large_bank_and_a_small_load_lie_beyond_the_horizon():
    found, _ = runout(Story(days=1, soc=0.95, capacity_ah=2000))
    assert found.reason == "beyond_horizon"
    assert found.hours_p10 is None
    assert "168 h" in found.hours_p10_reason
    assert found.lasts_until[0].chance > 0.99


def test_while_charging_hours_count_from_its_usual_end():
    found, as_of_ms = runout(Story(days=3.35, soc=0.7, charge_a=SUN))
    assert found.reason == "charging"
    usual = START_MS + (3 * 1440 + 900) * 60_000
    assert found.if_charging_stops_at == pytest.approx(usual, abs=5 * 60_000)
    assert found.if_charging_stops_at > as_of_ms
    risk = found.food_at_risk
    joined = (risk.from_p50 - found.if_charging_stops_at) / HOUR_MS
    assert joined == pytest.approx(found.hours_p50 + risk.holdover_hours.p50, abs=1e-4)


def test_charging_without_a_habit_counts_from_now():
    found, as_of_ms = runout(Story(days=0.4, soc=0.7, charge_a=SUN))
    assert found.reason == "charging"
    assert found.if_charging_stops_at == as_of_ms


def test_hours_shrink_by_the_silence_since_the_last_sample():
    live, as_of_ms = runout(Story(days=1, soc=0.9))
    later, _ = runout(Story(days=1, soc=0.9), as_of_ms=as_of_ms + 5 * HOUR_MS)
    assert live.hours_p50 - later.hours_p50 == pytest.approx(5.0, abs=0.05)


def test_silence_past_the_run_out_leaves_no_hours():
    live, as_of_ms = runout(Story(days=1, soc=0.55))
    assert 0 < live.hours_p10 < 19
    later, later_ms = runout(Story(days=1, soc=0.55), as_of_ms=as_of_ms + 20 * HOUR_MS)
    assert later.hours_p10 == 0.0
    assert later.food_at_risk.from_p10 >= later_ms


def test_charging_is_not_taken_to_go_on_through_silence():
    story = Story(days=0.4, soc=0.5, charge_a=SUN)
    _, last_ms = runout(story)
    found, _ = runout(story, as_of_ms=last_ms + 10 * HOUR_MS)
    assert found.reason == "discharging"
    assert found.if_charging_stops_at is None
    near, _ = runout(story, as_of_ms=last_ms + HOUR_MS)
    assert near.hours_p50 - found.hours_p50 == pytest.approx(9.0, abs=0.01)


def warm(series):
    return Series(series.t_ms, {**series.columns, "product_c": np.full(series.t_ms.shape, 7.0)})


@pytest.mark.parametrize("supply", [{}, {"kind": "mains"}])
def test_food_that_is_warm_already_is_at_risk_now(supply):
    series = warm(played(Story(days=1, soc=0.8)))
    as_of_ms = int(series.t_ms[-1])
    found = power(series, settings_for(Story(), **supply), as_of_ms=as_of_ms, food_limit_c=5.0).runout
    risk = found.food_at_risk
    assert (risk.from_p10, risk.from_p50, risk.from_p90) == (as_of_ms, as_of_ms, as_of_ms)


def test_after_a_cut_out_the_food_warms_through_silence_too():
    stopped = Story(days=3, soc=0.3, warm_h=20)
    now, as_of_ms = runout(stopped)
    assert now.reason == "cut_out"
    later, later_ms = runout(stopped, as_of_ms=as_of_ms + HOUR_MS)
    assert later.food_at_risk.from_p90 == max(now.food_at_risk.from_p90, later_ms)


def test_a_day_of_silence_ends_the_forecast():
    _, as_of_ms = runout(Story(days=1, soc=0.9))
    found, _ = runout(Story(days=1, soc=0.9), as_of_ms=as_of_ms + 25 * HOUR_MS)
    assert found.reason == "not_enough_data"
    assert "more than a day old" in found.hours_p50_reason


def test_a_bank_that_starts_an_engine_has_an_earlier_line():
    story = Story(days=1, soc=0.95)
    settings = settings_for(story)
    bank = settings.bank.model_copy(update={"starts_engine": True})
    found, as_of_ms = runout(story, settings.model_copy(update={"bank": bank}))
    assert as_of_ms < found.engine_may_not_start < as_of_ms + found.hours_p10 * HOUR_MS
    plain, _ = runout(story)
    assert plain.engine_may_not_start is None
    assert plain.engine_may_not_start_reason == "the bank does not start an engine"


def test_every_null_says_why():
    for story, settings in (
        (Story(days=1), None),
        (Story(days=1), settings_for(Story(), kind="mains")),
        (Story(days=1, capacity_ah=2000), None),
        (Story(days=2, soc=0.42), None),
    ):
        plain = runout(story, settings)[0].model_dump(mode="json")
        for name, value in plain.items():
            if f"{name}_reason" in plain or (value is None and not name.endswith("_reason")):
                assert plain[f"{name}_reason"]


def test_a_log_without_compressor_states_gives_reasons_and_no_hours():
    series = played(Story(days=1))
    bare = Series(series.t_ms, {k: v for k, v in series.columns.items() if k != "compressor_on"})
    found = power(bare, settings_for(Story()), as_of_ms=int(series.t_ms[-1]), food_limit_c=5.0).runout
    assert found.reason == "not_enough_data"
    assert "compressor state" in found.hours_p10_reason
    assert np.isfinite(found.food_at_risk.holdover_hours.p50)


def test_a_dawn_before_charging_usually_ends_counts_on_no_charging():
    nightly = lambda m: 8.0 if 900 <= m % 1440 < 1380 else 0.0  # noqa: E731 - midnight to eight by the clock
    found, as_of_ms = runout(
        Story(days=3 + 930 / 1440, soc=0.9, capacity_ah=34.0, lift_v=1.5, charge_a=nightly)
    )
    dawn = found.lasts_until[0]
    assert found.reason == "charging"
    assert dawn.name == "dawn"
    assert as_of_ms + 5 * HOUR_MS < dawn.at < found.if_charging_stops_at - HOUR_MS
    assert 0.5 < dawn.chance < 0.95


@pytest.mark.parametrize(
    "story",
    [
        Story(days=1, soc=0.8),
        Story(days=1, soc=0.6),
        Story(days=3 + 930 / 1440, soc=0.9, capacity_ah=34.0, lift_v=1.5,
              charge_a=lambda m: 8.0 if 900 <= m % 1440 < 1380 else 0.0),
    ],
    ids=["half full", "low", "charging"],
)  # fmt: skip
@pytest.mark.parametrize("silent_h", [0, 5])
def test_what_is_kept_answers_for_any_moment_as_the_forecast_itself_does(story, silent_h):
    _, last_ms = runout(story)
    found, as_of_ms = runout(story, as_of_ms=last_ms + silent_h * HOUR_MS)
    assert len(found.lasts_until) >= 1
    for told in found.lasts_until:
        assert chance_until(found, told.at, as_of_ms=as_of_ms) == pytest.approx(told.chance, abs=0.01)
    middle_ms = found.if_charging_stops_at or as_of_ms
    middle_ms += round(found.hours_p50 * HOUR_MS)
    assert chance_until(found, middle_ms, as_of_ms=as_of_ms) == pytest.approx(0.5, abs=0.01)
