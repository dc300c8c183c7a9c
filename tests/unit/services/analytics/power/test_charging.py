import numpy as np
import pytest

from services.analytics.power.charge import rests
from services.analytics.power.charging import (
    absorption_starts_ms,
    charging_at,
    full_charges_ms,
    stretches_of,
)
from services.analytics.power.curves import CURVES
from services.analytics.power.frame import frame_of, runs_of
from services.telemetry import Series
from services.timebase import HOUR_MS
from tests.helpers.made_supply import Story, played, settings_for


@pytest.mark.parametrize(("volts", "charges"), [(12.9, True), (12.4, False)])
def test_the_supply_channel_tells_charging_where_the_voltage_does_not_speak_against_it(volts, charges):
    settings = settings_for(Story())
    series = played(Story(days=0.2))
    words = np.full(series.t_ms.shape, "solar", dtype=object)
    told = {"supply": words, "battery_v": volts + 0.001 * (np.arange(len(series)) % 3)}
    frame = frame_of(Series(series.t_ms, {**series.columns, **told}), settings, None)
    assert charging_at(frame, CURVES["agm"]).all() == charges
    assert charging_at(frame, CURVES["agm"]).any() == charges
    found = rests(frame, runs_of(frame), settings, charging_at(frame, CURVES["agm"]))
    assert found.at.size == 0  # fed from elsewhere: its voltage tells nothing of the battery
    plain = frame_of(series, settings, None)
    assert not charging_at(plain, CURVES["agm"]).any()


def test_absorption_must_hold_for_lead_acid():
    minutes = np.arange(0, 400)
    volts = np.where((minutes > 50) & (minutes < 150), 14.3, 12.7)
    t_ms = (minutes * 60_000).astype(np.int64)
    assert full_charges_ms(t_ms, volts, CURVES["agm"]).size == 0
    longer = np.where((minutes > 50) & (minutes < 250), 14.3, 12.7)
    assert full_charges_ms(t_ms, longer, CURVES["agm"]).tolist() == [249 * 60_000]


def test_float_after_absorption_counts_towards_the_hold_and_float_alone_does_not():
    minutes = np.arange(0, 400)
    t_ms = (minutes * 60_000).astype(np.int64)
    floated = np.where(minutes < 50, 12.7, 13.6)
    assert full_charges_ms(t_ms, floated, CURVES["agm"]).size == 0
    absorbed = np.where((minutes >= 50) & (minutes < 70), 14.3, floated)
    assert full_charges_ms(t_ms, absorbed, CURVES["agm"]).tolist() == [399 * 60_000]


def test_two_full_charges_within_half_a_day_are_one():
    hours = np.arange(0, 72)
    volts = np.where(np.isin(hours, [5, 6, 7, 14, 15, 16, 50, 51, 52]), 14.4, 13.0)
    ends = full_charges_ms((hours * HOUR_MS).astype(np.int64), volts, CURVES["agm"])
    assert (ends / HOUR_MS).tolist() == [16, 52]


def test_stretches_cover_every_sample_once():
    flags = np.array([False, True, True, False])
    parts = stretches_of(flags)
    assert parts.first.tolist() == [0, 1, 3]
    assert parts.last.tolist() == [0, 2, 3]
    assert parts.charging.tolist() == [False, True, False]


def test_absorption_starts_once_in_every_stretch():
    minutes = np.arange(600)
    volts = np.select(
        [(minutes > 50) & (minutes < 90), (minutes > 120) & (minutes < 200)], [14.3, 14.1], 13.4
    )
    charging = ~((minutes > 300) & (minutes < 400))
    volts[minutes == 450] = 14.4
    found = absorption_starts_ms(minutes.astype(np.int64) * 60_000, volts, charging, CURVES["agm"])
    assert (found / 60_000).tolist() == [51, 450]


def held_log(volts):
    """Return a lithium log of ten hours with the compressor on a third of the time."""
    minutes = np.arange(600)
    settings = settings_for(Story(chemistry="lifepo4"))
    on = (minutes % 30 < 10).astype(float)
    t_ms = minutes.astype(np.int64) * 60_000
    series = Series(t_ms, {"compressor_on": on, "battery_v": volts - 0.15 * on})
    return charging_at(frame_of(series, settings, None), CURVES["lifepo4"])


def test_lithium_held_at_its_float_is_told_from_one_that_falls():
    assert held_log(np.full(600, 13.5)).mean() > 0.9
    assert not held_log(np.linspace(13.6, 13.43, 600)).any()
    assert not held_log(np.full(600, 13.2)).any()


def test_lithium_that_rests_in_one_stretch_only_is_not_said_to_be_held():
    minutes = np.arange(90)
    on = (minutes >= 20).astype(float)
    series = Series(minutes.astype(np.int64) * 60_000, {"compressor_on": on, "battery_v": np.full(90, 13.5)})
    frame = frame_of(series, settings_for(Story(chemistry="lifepo4")), None)
    assert not charging_at(frame, CURVES["lifepo4"]).any()
