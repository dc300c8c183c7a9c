"""Voltages of a cycling load on a lead-acid battery, from an independent electrochemical model.

Computed once with an open battery-physics package (lead-acid "Full" model, parameter set Sulzer 2019, scaled
to 100 Ah at the 20 h rate, 4 A, no cable): voltage at the end of a run and 60 s after it, by state of charge.
"""

import numpy as np
import pytest

from services.analytics.power.assess import power
from services.domain import Bank, Compressor, Supply, Unit, UnitSettings
from services.telemetry import Series

SOC = [0.99, 0.84, 0.69, 0.54, 0.39, 0.24, 0.17, 0.11, 0.09, 0.05, 0.03, 0.01]
ON_V = [12.95, 12.73, 12.50, 12.26, 12.01, 11.70, 11.51, 11.29, 11.20, 10.97, 10.82, 10.63]
OFF_V = [12.97, 12.76, 12.53, 12.31, 12.07, 11.81, 11.68, 11.54, 11.49, 11.38, 11.31, 11.22]
REBOUND_V = [0.02, 0.03, 0.03, 0.04, 0.06, 0.11, 0.17, 0.25, 0.29, 0.41, 0.49, 0.59]

BANK = Bank(id="bank-1", chemistry="flooded", nominal_v=12, capacity_ah=100)


def settings(cutout_v):
    unit = Unit(
        id="unit-1",
        kind="fridge",
        set_point_c=3.0,
        interval_s=60,
        supply=Supply(bank="bank-1", cutout_v=cutout_v),
        compressor=Compressor(running_a=4.0),
    )
    return UnitSettings.of(unit, bank=BANK)


def log(rows, *, path_ohm=0.0, ends_warm):
    """Run 15 min and rest 25 min at each row; the last run ends at 3.6 °C and stays off when `ends_warm`."""
    minute = np.arange(40 * len(rows) + (240 if ends_warm else 0))
    cycle, row = minute % 40, np.minimum(minute // 40, len(rows) - 1)
    standing = minute >= 40 * len(rows)
    on = (cycle < 15) & ~standing
    v_on, v_off = np.array(ON_V)[rows][row] - 4 * path_ohm, np.array(OFF_V)[rows][row]
    cabinet = np.where(on, 4 - 2 * cycle / 15, 2 + 2 * (cycle - 15) / 25)
    if ends_warm:
        last = 40 * (len(rows) - 1)
        cut = last + 5
        on &= minute < cut
        warm = minute >= cut
        cabinet = np.where(warm, 3.6 + (minute - cut) / 60, cabinet)
    volts = np.where(on, v_on, v_off)
    t_ms = 1_760_000_400_000 + minute.astype(np.int64) * 60_000
    return Series(t_ms, {"compressor_on": on.astype(float), "cabinet_c": cabinet, "battery_v": volts})


def discharge(down_to):
    """Return the row of each cycle on the way down: 4 A for 15 min take one per cent of 100 Ah."""
    levels = np.arange(99, round(100 * SOC[down_to]) - 1, -1) / 100
    return [int(np.argmin(np.abs(np.array(SOC) - level))) for level in levels]


def analysed(series, cutout_v):
    return power(series, settings(cutout_v), as_of_ms=int(series.t_ms[-1]), food_limit_c=5.0)


@pytest.mark.outside
def test_the_rebound_row_is_the_difference_of_the_other_two():
    assert np.array(OFF_V) - np.array(ON_V) == pytest.approx(np.array(REBOUND_V), abs=0.011)


@pytest.mark.outside
@pytest.mark.parametrize("row", range(5, len(SOC)))
def test_a_run_that_ends_warm_at_the_cut_out_is_found_with_its_voltage_and_rebound(row):
    series = log(discharge(row), ends_warm=True)
    (event,) = analysed(series, cutout_v=ON_V[row] - 0.05).cutouts
    assert event.voltage_v == pytest.approx(ON_V[row])
    assert event.rebound_v == pytest.approx(REBOUND_V[row], abs=0.011)
    assert event.cause == "battery_flat"


@pytest.mark.outside
def test_the_whole_discharge_with_thermostat_stops_is_no_cut_out():
    series = log(discharge(len(SOC) - 1), ends_warm=False)
    assert analysed(series, cutout_v=10.4).cutouts == ()


@pytest.mark.outside
def test_a_joint_of_0_3_ohm_is_found_as_wiring_at_a_healthy_rest_voltage():
    """At 39 % the unit sees 12.01 - 4 x 0.3 = 10.81 V while the battery rests at 12.07 V (flooded: 48 %)."""
    series = log([0, 0, 1, 1, 2, 2, 3, 3, 4], path_ohm=0.3, ends_warm=True)
    result = analysed(series, cutout_v=10.8)
    (event,) = result.cutouts
    assert event.cause == "wiring"
    assert event.voltage_v == pytest.approx(10.81)
    assert result.battery.source_resistance_ohm == pytest.approx(0.31, abs=0.01)


@pytest.mark.outside
def test_source_resistance_of_the_model_itself():
    """6 to 16 mΩ between 96 and 39 % at 4 A steps on 100 Ah, the same model."""
    series = log([0, 1, 1, 2, 2, 3, 3, 4], ends_warm=False)
    assert 0.005 <= analysed(series, cutout_v=10.4).battery.source_resistance_ohm <= 0.016
