"""Seventy-five days of a real lithium iron phosphate bank, hourly lowest and highest voltage.

Data: "wkcollis1-eng, Lifepo4-Battery-Banks", CC BY 4.0, archive DOI 10.5281/zenodo.18232628, reformatted;
read from the folder shared beside the project. What a correct tool should find is in its SOURCE.md.
"""

import csv

import numpy as np
import pytest

from services.analytics.power.assess import power
from services.analytics.power.capacity import capacity_of
from services.analytics.power.charge import charge_state, rests
from services.analytics.power.charging import full_charges_ms
from services.analytics.power.curves import CURVES
from services.analytics.power.cutouts import Threshold, events_of
from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.thermostat import Band
from services.domain import Bank, Supply, Unit, UnitSettings
from services.telemetry import Series
from services.timebase import HOUR_MS, ms_of_iso
from tests.helpers.skips import SHARED

FOLDER = SHARED / "lfp_bank_74d"

pytestmark = [
    pytest.mark.outside,
    pytest.mark.opendata,
    pytest.mark.skipif(not FOLDER.is_dir(), reason="the shared measurements are not beside the project"),
]

BANK = Bank(id="bank-1", chemistry="lifepo4", nominal_v=12, capacity_ah=500)
SETTINGS = UnitSettings.of(
    Unit(id="unit-1", kind="fridge", set_point_c=3.0, interval_s=3600, supply=Supply(bank="bank-1")),
    bank=BANK,
)


@pytest.fixture(scope="module")
def hours():
    with (FOLDER / "bank_voltage_hourly.csv").open() as lines:
        rows = list(csv.DictReader(lines))
    t_ms = np.array([ms_of_iso(row["hour_start"] + "Z") for row in rows], dtype=np.int64)
    low, high = (np.array([float(row[name]) for row in rows]) for name in ("v_min", "v_max"))
    return t_ms, low, high


def loaded(hours, odd=1):
    """Add a compressor that alternates by the hour in a warm cabinet: every stop is suspicious."""
    t_ms, low, _ = hours
    on = (t_ms // HOUR_MS % 2 == odd).astype(float)
    return Series(t_ms, {"compressor_on": on, "cabinet_c": np.full(t_ms.shape, 9.0), "battery_v": low})


def low_stops(hours, cutout_v):
    """Return the low-voltage stops with the compressor on in odd hours, then in even ones."""
    return [event for odd in (0, 1) for event in _low_stops(loaded(hours, odd), cutout_v)]


def _low_stops(series, cutout_v):
    frame = frame_of(series, SETTINGS, HOUR_MS / 1000)
    always_warm = Band(-1.0, 1.0, 1.0, 0.3, learned=False)
    found = events_of(
        frame,
        runs_of(frame),
        always_warm,
        Threshold(cutout_v, "file"),
        as_of_ms=int(series.t_ms[-1]),
        has_battery=True,
    )
    return [event for event in found if event.kind in ("low_voltage", "interrupted")]


@pytest.mark.parametrize("cutout_v", [10.0, 10.4, 11.0, 11.4, 11.8, 12.0])
def test_no_cut_out_at_any_usual_threshold(hours, cutout_v):
    """v_min is lowest at 12.61 V on 2025-11-02: hours under 12.5 V, none."""
    assert low_stops(hours, cutout_v) == []


def test_the_same_search_does_find_stops_at_a_threshold_the_bank_really_reached(hours):
    assert low_stops(hours, 12.4) != []


def turned_each_hour(hours, lowered_v):
    """Return the lows with the compressor on and the highs with it off, in a cabinet that stays warm."""
    t_ms, low, high = hours
    both = np.column_stack([t_ms, t_ms + HOUR_MS // 2]).ravel()
    return Series(
        both,
        {
            "compressor_on": np.tile([1.0, 0.0], t_ms.size),
            "cabinet_c": np.full(both.shape, 9.0),
            "battery_v": np.column_stack([low, high]).ravel() - lowered_v,
        },
    )


@pytest.mark.parametrize(("lowered_v", "some"), [(0.0, False), (0.5, False), (1.3, True), (2.0, True)])
def test_the_whole_analysis_finds_cut_outs_only_once_the_lows_cross_the_cut_out(hours, lowered_v, some):
    series = turned_each_hour(hours, lowered_v)
    result = power(series, SETTINGS, as_of_ms=int(series.t_ms[-1]), food_limit_c=5.0)
    assert (len(result.cutouts) > 0) == some
    assert {event.cause for event in result.cutouts} <= {"battery_flat"}


def test_without_a_compressor_state_cut_outs_are_unknown_and_not_none_found(hours):
    t_ms, low, _ = hours
    result = power(Series(t_ms, {"battery_v": low}), SETTINGS, as_of_ms=int(t_ms[-1]), food_limit_c=5.0)
    assert result.cutouts is None
    assert "compressor" in result.cutouts_reason


def test_three_full_charges_on_their_days(hours):
    """v_max above 14.2 V on 10-29 (14:00), 11-01 (17:00) and 11-04 (19:00), to the hour or the next."""
    t_ms, _, high = hours
    full = full_charges_ms(t_ms, high, CURVES["lifepo4"])
    expected = [ms_of_iso(f"2025-{day}:00Z") for day in ("10-29T14:00", "11-01T17:00", "11-04T19:00")]
    assert full.size == 3
    assert np.all(np.abs(full - expected) <= 2 * HOUR_MS)


def test_days_since_full_run_from_the_third(hours):
    t_ms, _, high = hours
    as_of_ms = ms_of_iso("2025-12-04T19:00:00Z")
    result = power(Series(t_ms, {"battery_v": high}), SETTINGS, as_of_ms=as_of_ms, food_limit_c=5.0)
    assert result.battery.days_since_full == pytest.approx(30.0, abs=0.1)


def test_missing_hours_are_seen_as_gaps(hours):
    """1800 hours expected, 58 missing in 19 gaps, the longest 28 h."""
    frame = frame_of(loaded(hours), SETTINGS, HOUR_MS / 1000)
    steps = np.diff(frame.t_ms)[frame.broken]
    missing = steps // HOUR_MS - 1
    assert (int(missing.sum()), missing.size, int(missing.max())) == (58, 19, 28)


def test_the_long_rest_raises_no_finding_and_no_stop(hours):
    """Rest from 2025-11-08: mean 13.26 V, 20 to 50 mV of meter noise; no alarm should come from it."""
    series = loaded(hours).between(ms_of_iso("2025-11-08T00:00:00Z"), ms_of_iso("2026-01-12T00:00:00Z"))
    minutes = series.t_ms // HOUR_MS % 2
    cold = Series(series.t_ms, {**series.columns, "cabinet_c": np.where(minutes == 0, 4.0, 2.0)})
    result = power(cold, SETTINGS, as_of_ms=int(series.t_ms[-1]), food_limit_c=5.0, max_gap_s=12 * 3600)
    assert result.cutouts == ()
    assert result.findings == ()


def test_under_load_on_the_plateau_the_range_stays_wide(hours):
    """2025-11-02: ten hours of discharge and the voltage falls only 0.46 V after the first step."""
    t_ms, low, _ = hours
    noon = ms_of_iso("2025-11-02T14:00:00Z")
    series = Series(t_ms, {"battery_v": low, "compressor_on": np.zeros(t_ms.shape)})
    day = series.between(ms_of_iso("2025-11-02T11:00:00Z"), noon)
    frame = frame_of(day, SETTINGS, 7200)
    state = charge_state(frame, runs_of(frame), SETTINGS, capacity_of(SETTINGS, as_of_ms=noon))
    assert state.quantiles.p90 - state.quantiles.p10 > 0.4


def test_a_plateau_reading_never_claims_to_be_sharp(hours):
    t_ms, low, _ = hours
    three_hours_each = (t_ms // (3 * HOUR_MS) % 2).astype(float)
    frame = frame_of(Series(t_ms, {"battery_v": low, "compressor_on": three_hours_each}), SETTINGS, 7200)
    found = rests(frame, runs_of(frame), SETTINGS, np.zeros(len(frame), dtype=bool))
    volts = frame.volts_12[found.at]
    plateau = (volts > 12.8) & (volts < 13.27)
    assert plateau.sum() > 100
    assert np.all(found.sd[plateau] >= 0.25)
