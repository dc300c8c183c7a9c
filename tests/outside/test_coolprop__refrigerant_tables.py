"""The stored refrigerant tables.

CoolProp 8.0.0 (Bell and others, Ind. Eng. Chem. Res. 53 (2014) 2498-2508), computed apart from the tables:
saturation pressures, and the coefficient of performance of a cycle with 10 K superheat and 5 K subcooling at
an overall efficiency of 0.5. R134a boils at -26.07 °C at 101.325 kPa (the same equation of state; widely
printed). Tolerances are the last digit given, and where the table is read between its rows, 0.5 %.
"""

import importlib.util

import numpy as np
import pytest

from firmware_sim.plant.refrigeration import REFRIGERANTS, cycle_table
from services.analytics.planning.cabinets import RATED_OUTSIDE_C, cooling_share, draw_share

pytestmark = pytest.mark.outside

SATURATION_C = (-40, -35, -30, -25, -20, -15, -10, -5, 0, 5, 10, 20, 30, 40, 50, 60, 70)
SATURATION_KPA = {
    "R134a": "51.2 66.1 84.4 106.4 132.7 163.9 200.6 243.3 292.8 349.7 414.6"
    " 571.7 770.2 1016.6 1317.9 1681.8 2116.8",
    "R600a": "28.7 36.8 46.6 58.4 72.5 89.1 108.5 131.0 157.0 186.7 220.6"
    " 302.2 404.7 531.2 684.9 869.2 1087.5",
}

CONDENSING_C = (35.0, 45.0, 54.4, 60.0)
PERFORMANCE = {
    -30.0: (1.42, 1.14, 0.93, 0.82),
    -23.3: (1.69, 1.34, 1.08, 0.95),
    -10.0: (2.45, 1.88, 1.49, 1.30),
    -5.0: (2.87, 2.16, 1.69, 1.47),
}

RELATIVE_COOLING = [(-30.0, 45.0, 0.40), (-23.3, 54.4, 0.50), (-5.0, 35.0, 1.35)]
"""Cooling for each cubic metre swept, over that at -10/45 °C."""


def _read(values, low_c, high_c, table):
    """Read a stored grid by straight lines, apart from the simulator's own reading."""
    along = [np.interp(high_c, table.condensing_c, row) for row in values]
    return float(np.interp(low_c, table.evaporating_c, along))


@pytest.mark.parametrize("name", REFRIGERANTS)
def test_saturation_pressures(name):
    table = cycle_table(name)
    printed = [float(cell) for cell in SATURATION_KPA[name].split()]
    for temperature_c, kpa in zip(SATURATION_C, printed, strict=True):
        for grid_c, pressures in (
            (table.evaporating_c, table.evaporating_kpa),
            (table.condensing_c, table.condensing_kpa),
        ):
            if temperature_c in grid_c:
                found = pressures[list(grid_c).index(temperature_c)]
                assert found == pytest.approx(kpa, abs=0.1), (name, temperature_c)


def test_r134a_boils_at_minus_26_07_at_one_atmosphere():
    table = cycle_table("R134a")
    boiling_c = np.interp(np.log(101.325), np.log(table.evaporating_kpa), table.evaporating_c)
    assert boiling_c == pytest.approx(-26.07, abs=0.02)


@pytest.mark.parametrize("low_c", PERFORMANCE)
def test_coefficient_of_performance_of_r134a(low_c):
    table = cycle_table("R134a")
    for high_c, printed in zip(CONDENSING_C, PERFORMANCE[low_c], strict=True):
        cooling = _read(table.cooling_kj_per_m3, low_c, high_c, table)
        work = _read(table.work_kj_per_m3, low_c, high_c, table)
        assert 0.5 * cooling / work == pytest.approx(printed, abs=0.005 + 0.005 * printed)


@pytest.mark.parametrize(("low_c", "high_c", "share"), RELATIVE_COOLING)
def test_cooling_for_each_cubic_metre(low_c, high_c, share):
    table = cycle_table("R134a")
    at = _read(table.cooling_kj_per_m3, low_c, high_c, table)
    assert at / _read(table.cooling_kj_per_m3, -10.0, 45.0, table) == pytest.approx(share, abs=0.006)


def test_carnot_is_never_beaten():
    for name in REFRIGERANTS:
        table = cycle_table(name)
        low_k, high_k = np.meshgrid(table.evaporating_c + 273.15, table.condensing_c + 273.15, indexing="ij")
        apart = high_k - low_k > 20.0
        carnot = low_k[apart] / (high_k - low_k)[apart]
        assert np.all(table.cooling_kj_per_m3[apart] / table.work_kj_per_m3[apart] < carnot)


@pytest.mark.skipif(importlib.util.find_spec("CoolProp") is None, reason="CoolProp is not installed")
@pytest.mark.parametrize("name", REFRIGERANTS)
def test_stored_rows_are_what_the_library_gives_today(name):
    from tests.helpers.write_refrigeration import cycle  # noqa: PLC0415 - needs the library

    table = cycle_table(name)
    for row in range(0, table.evaporating_c.size, 5):
        for column in range(2, table.condensing_c.size, 4):
            low_c, high_c = float(table.evaporating_c[row]), float(table.condensing_c[column])
            low, high, cooling, work = cycle(name, low_c, high_c)
            assert table.evaporating_kpa[row] == pytest.approx(low, rel=1e-3)
            assert table.condensing_kpa[column] == pytest.approx(high, rel=1e-3)
            assert table.cooling_kj_per_m3[row, column] == pytest.approx(cooling, rel=1e-3)
            assert table.work_kj_per_m3[row, column] == pytest.approx(max(work, 0.0), rel=1e-3, abs=0.02)


@pytest.mark.parametrize(("name", "low_c"), [(n, low) for n in REFRIGERANTS for low in (-25.0, -10.0, -5.0)])
def test_what_a_plan_takes_for_ten_kelvin_more_outside_lies_among_ideal_cycles(name, low_c):
    """A condenser 10 to 15 K above the air (judgement), around the rated 32 °C and ten kelvin above it."""
    table = cycle_table(name)
    work, cooling = (
        [
            _read(values, low_c, high_c + 10.0, table) / _read(values, low_c, high_c, table)
            for high_c in (40, 50)
        ]
        for values in (table.work_kj_per_m3, table.cooling_kj_per_m3)
    )
    hot_c = np.array([RATED_OUTSIDE_C + 10.0])
    assert draw_share(hot_c)[0] == pytest.approx(np.mean(work), abs=0.05)
    assert cooling_share(hot_c, np.zeros(1))[0] == pytest.approx(np.mean(cooling), abs=0.06)
    assert cooling_share(hot_c, np.zeros(1))[0] < min(cooling)
