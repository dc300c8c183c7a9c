"""The service's clear sky against pvlib.

Numbers: pvlib 0.16.1, Location(-19.0, 23.5, UTC+2, 950 m), worked out once: daily sums of level ground by
Haurwitz 8.29 and 5.03 kWh/m², by Ineichen with the package's haze 8.21 and 4.79; noon 1069 and 734 W/m² by
Ineichen. Haurwitz knows no haze: 1 % against itself, 6 % against the better model. Where pvlib is
installed both days are compared with it minute by minute.
"""

from importlib import import_module
from importlib.util import find_spec

import numpy as np
import pytest

from services.analytics.power.sunshine import clear_sky_w_per_m2, panel_a, sun_height
from services.timebase import HOUR_MS, ms_of_iso

pytestmark = pytest.mark.outside

HERE = {"latitude_deg": -19.0, "longitude_deg": 23.5}
AHEAD_H = 2

needs_pvlib = pytest.mark.skipif(
    find_spec("pvlib") is None, reason="pvlib is not installed: it comes with the test extra"
)


def _minutes(day):
    return ms_of_iso(f"{day}T00:00:00Z") - AHEAD_H * HOUR_MS + 60_000 * np.arange(1440, dtype=np.int64)


@pytest.mark.parametrize(
    ("day", "haurwitz_kwh", "ineichen_kwh", "noon"),
    [("2025-12-21", 8.29, 8.21, 1069), ("2025-06-21", 5.03, 4.79, 734)],
)
def test_days_of_both_solstices(day, haurwitz_kwh, ineichen_kwh, noon):
    sun = clear_sky_w_per_m2(_minutes(day), **HERE)
    assert sun.sum() / 60e3 == pytest.approx(haurwitz_kwh, rel=0.01)
    assert sun.sum() / 60e3 == pytest.approx(ineichen_kwh, rel=0.06)
    assert sun[12 * 60] == pytest.approx(noon, rel=0.05)


@pytest.mark.parametrize(("day", "wh"), [("2025-12-21", 732), ("2025-06-21", 453)])
def test_a_day_of_100_watt_of_panel_after_dust_and_heat(day, wh):
    """DC energy by pvwatts_dc (-0.4 %/K, Faiman cells) times 0.75 for dust and controller; ours within 25 %.

    Our one yield holds the heat of the cells too, so it lies above the cited product when hot.
    """
    amps = panel_a(clear_sky_w_per_m2(_minutes(day), **HERE), panel_wp=100.0, nominal_v=12.0)
    assert amps.sum() / 60.0 * 13.5 == pytest.approx(0.75 * wh, rel=0.25)


@needs_pvlib
@pytest.mark.parametrize("day", ["2025-12-21", "2025-06-21", "2026-03-05"])
@pytest.mark.filterwarnings("ignore")
def test_height_and_sun_minute_by_minute(day):
    pandas, pvlib = import_module("pandas"), import_module("pvlib")
    times = pandas.to_datetime(_minutes(day), unit="ms", utc=True)
    zenith = pvlib.solarposition.get_solarposition(times, HERE["latitude_deg"], HERE["longitude_deg"])[
        "zenith"
    ].to_numpy()
    height = sun_height(_minutes(day), **HERE)
    assert np.abs(height - np.cos(np.radians(zenith))).max() < 0.002
    theirs = pvlib.clearsky.haurwitz(pandas.Series(zenith))["ghi"].to_numpy()
    assert np.abs(clear_sky_w_per_m2(_minutes(day), **HERE) - theirs).max() < 0.5
