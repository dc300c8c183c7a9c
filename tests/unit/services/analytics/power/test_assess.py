import time

import numpy as np
import pytest

from services.analytics.power.assess import power
from services.domain import Unit, UnitSettings
from services.telemetry import Series
from tests.helpers.made_supply import START_MS, Story, played, settings_for

BARE = UnitSettings.of(Unit(id="unit-1", kind="fridge", interval_s=60))


def without(series, *columns):
    return Series(series.t_ms, {k: v for k, v in series.columns.items() if k not in columns})


def analysed(series, settings=None, *, as_of_ms=None):
    as_of_ms = int(series.t_ms[-1]) if as_of_ms is None else as_of_ms
    settings = settings_for(Story()) if settings is None else settings
    return power(series, settings, as_of_ms=as_of_ms, food_limit_c=5.0)


def test_a_healthy_day_gives_every_answer():
    result = analysed(played(Story(days=1)))
    assert result.cutouts == ()
    assert result.battery.state_of_charge is not None
    assert result.battery.source_resistance_ohm == pytest.approx(0.079, abs=0.005)
    assert result.battery.days_since_full is None
    assert result.battery.days_since_full_reason is not None
    assert result.runout.reason == "discharging"
    assert result.findings == ()
    assert result.findings_reason is None


@pytest.mark.parametrize(
    ("missing", "words"),
    [
        ("compressor_on", "compressor state"),
        ("cabinet_c", "cabinet temperature"),
        ("battery_v", "battery voltage"),
    ],
)
def test_a_missing_channel_leaves_cut_outs_unknown_with_its_name(missing, words):
    result = analysed(without(played(Story(days=1)), missing))
    assert result.cutouts is None
    assert words in result.cutouts_reason


def test_an_empty_log_is_all_reasons():
    result = analysed(Series.empty(), as_of_ms=START_MS)
    assert result.cutouts is None
    assert result.battery is None
    assert result.findings is None
    assert result.findings_reason is not None
    assert result.runout.reason == "not_enough_data"


def test_one_sample_is_enough_not_to_fail():
    series = Series(
        np.array([START_MS], dtype=np.int64),
        {"compressor_on": np.array([1.0]), "cabinet_c": np.array([0.0]), "battery_v": np.array([12.0])},
    )
    result = analysed(series)
    assert result.cutouts == ()
    assert result.runout.reason == "not_enough_data"


def test_only_missing_readings_are_no_readings():
    series = played(Story(days=0.1))
    hollow = Series(series.t_ms, {name: np.full(series.t_ms.shape, np.nan) for name in series.columns})
    result = analysed(hollow)
    assert result.cutouts is None
    assert result.battery is None


def test_mains_has_no_battery_and_says_so():
    result = analysed(without(played(Story(days=1)), "battery_v"), settings_for(Story(), kind="mains"))
    assert result.cutouts == ()
    assert result.battery is None
    assert "mains" in result.battery_reason


def test_samples_after_as_of_change_nothing():
    series = played(Story(days=3, soc=0.5))
    as_of_ms = START_MS + 86_400_000
    assert analysed(series, as_of_ms=as_of_ms) == analysed(series.between(0, as_of_ms + 1), as_of_ms=as_of_ms)


def test_full_charges_are_seen_without_a_compressor_state():
    story = Story(days=1.5, soc=0.8, charge_a=lambda m: 20.0 if 200 < m < 800 else 0.0)
    result = analysed(without(played(story), "compressor_on"))
    assert result.battery.days_since_full == pytest.approx((1.5 * 1440 - 800) / 1440, abs=0.01)
    assert result.battery.state_of_charge is None


def test_defaults_used_here_are_named():
    words = " | ".join(analysed(played(Story(days=1)), BARE).assumed)
    for expected in ("cut-out 11.4 V", "surroundings 32 °C", "load 3 kg"):
        assert expected in words
    named = " | ".join(analysed(played(Story(days=1))).assumed)
    assert "cut-out" not in named


def test_a_unit_year_takes_well_under_a_second():
    week = played(Story(days=3, soc=0.99))
    copies = 122
    step = int(week.t_ms[-1]) - int(week.t_ms[0]) + 60_000
    t_ms = np.concatenate([week.t_ms + i * step for i in range(copies)])
    year = Series(t_ms, {name: np.tile(values, copies) for name, values in week.columns.items()})
    begin = time.process_time()
    analysed(year)
    assert len(year) > 525_000
    assert time.process_time() - begin < 2.0


def with_channel(series, name, value):
    return Series(series.t_ms, {**series.columns, name: np.full(len(series), value)})


@pytest.mark.parametrize("volts", [0.0, -5.0, 22.0])
def test_a_reported_cutout_that_no_unit_has_changes_nothing(volts):
    series = played(Story(days=1, soc=0.9))
    plain = analysed(series)
    assert analysed(with_channel(series, "cutout_v", volts)).runout == plain.runout
    assert analysed(with_channel(series, "cutout_v", 11.9)).runout.hours_p10 < plain.runout.hours_p10


@pytest.mark.parametrize("amps", [0.0, -4.2, 4200.0])
def test_a_current_that_cannot_be_makes_no_battery_last_longer(amps):
    series = played(Story(days=1, soc=0.9))
    assert analysed(with_channel(series, "current_a", amps)).runout == analysed(series).runout


def test_a_voltage_that_stands_still_says_nothing_of_the_night():
    series = played(Story(days=1, soc=0.9))
    result = analysed(with_channel(series, "battery_v", 12.7))
    assert result.runout.reason == "not_enough_data"
    assert result.runout.lasts_until == ()


def test_mains_that_feeds_the_cabinet_and_not_its_battery_fills_no_battery():
    series = played(Story(days=2, soc=0.4))
    words = np.full(len(series), "mains", dtype=object)
    result = analysed(Series(series.t_ms, {**series.columns, "supply": words}))
    assert result.runout.reason != "charging"
    charge = result.battery.state_of_charge
    assert charge is None or charge.p50 < 0.5
