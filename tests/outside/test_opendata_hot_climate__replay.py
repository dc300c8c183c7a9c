"""Measured typical years of a hot dry and a hot humid site, played by the simulator hour by hour.

Data: NREL typical meteorological years as described in the folder's SOURCE.md (8760 hours each); the counts
of hours and the extremes are those listed there.
"""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from firmware_sim.plant.place import STEPS_A_DAY, Place
from firmware_sim.scenarios.model import SiteWeather
from services.timebase import DAY_MS
from tests.helpers.electric import scenario_of
from tests.helpers.opendata import opendata_folder, opendata_rows

pytestmark = [pytest.mark.outside, pytest.mark.opendata]

FOLDER = "hot_climate_hourly"
FIRST_DAY = int(datetime(2025, 1, 1, tzinfo=UTC).timestamp()) // 86_400
STEPS_AN_HOUR = STEPS_A_DAY // 24


def _year(name):
    """Play 2025 at a site whose clocks show UTC; return (8760,) values at the ends of hours, and its sun."""
    scenario = scenario_of([], [], site=SiteWeather(id="here", hourly_file=name))
    site = scenario.sites[0][0].model_copy(update={"timezone": "UTC"})
    scenario = replace(
        scenario, path=opendata_folder() / FOLDER / "made.toml", sites=((site, scenario.sites[0][1]),)
    )
    place = Place(scenario, 0, anchor_ms=(FIRST_DAY + 400) * DAY_MS)
    days = [place.day(FIRST_DAY + k) for k in range(366)]
    air = np.concatenate([day.air_c for day in days])[STEPS_AN_HOUR::STEPS_AN_HOUR][:8760]
    return air, np.concatenate([day.sun_w_per_m2 for day in days[:365]])


@pytest.mark.parametrize(
    ("name", "extremes", "hours"),
    [
        ("hot_dry.csv", (-1.1, 21.71, 42.0), {30: 1738, 32: 1224, 35: 552, 38: 117, 40: 23, 43: 0}),
        ("hot_humid.csv", (3.3, 24.31, 33.9), {30: 459, 32: 33, 35: 0}),
    ],
)
def test_the_years_extremes_and_hot_hours_come_out_as_listed(name, extremes, hours):
    air, _ = _year(name)
    assert (air.min(), air.mean(), air.max()) == pytest.approx(extremes, abs=0.005)
    assert {limit: int((air > limit + 1e-9).sum()) for limit in hours} == hours


@pytest.mark.parametrize("name", ["hot_dry.csv", "hot_humid.csv"])
def test_the_years_sun_adds_up_to_the_files(name):
    listed_wh = sum(float(row["ghi_wh_m2"]) for row in opendata_rows(f"{FOLDER}/{name}"))
    _, sun = _year(name)
    assert sun.sum() / STEPS_AN_HOUR == pytest.approx(listed_wh, rel=1e-3)
