"""Flags of sensors on recorded field data: what is stuck is found, what is sound is left alone.

Data: "AntiRain114, MIT" (air in a refrigerator) and "wkcollis1-eng, Lifepo4-Battery-Banks, CC BY 4.0,
https://creativecommons.org/licenses/by/4.0/, reformatted" (room beside a bank); see SOURCE.md beside each.
"""

import numpy as np
import pytest

from services.analytics.quality import gap_limit_ms, judged
from services.telemetry import Series
from services.timebase import MINUTE_MS, ms_of_iso
from tests.helpers.histories import celsius
from tests.helpers.logs import unit
from tests.helpers.opendata import opendata_rows

pytestmark = [pytest.mark.outside, pytest.mark.opendata]


@pytest.fixture(scope="module")
def air():
    rows = opendata_rows("fridge_air_7d/fridge_air.csv")
    t_ms = np.array([ms_of_iso(row["time_utc"]) for row in rows], dtype=np.int64)
    return t_ms, {name: np.array([float(row[name]) for row in rows]) for name in ("t1_c", "t2_c", "t3_c")}


def flags(t_ms, *, interval_s, **columns):
    series = Series(t_ms, columns)
    return judged(series, unit(interval_s=interval_s), gap_ms=gap_limit_ms(interval_s)).flags


def test_the_stale_sensor_is_found_with_nothing_beside_it(air):
    """SOURCE.md: longest stale stretch 1014 min at 6.9 °C, 07-25 23:23 to 07-26 16:17."""
    t_ms, columns = air
    stuck = [f for f in flags(t_ms, interval_s=600, cabinet_c=columns["t1_c"]) if f.flag == "stuck"]
    assert stuck[0].start == pytest.approx(ms_of_iso("2024-07-25T23:23:00Z"), abs=MINUTE_MS)
    assert stuck[0].end == pytest.approx(ms_of_iso("2024-07-26T16:17:00Z"), abs=MINUTE_MS)
    assert len(stuck) == 2


@pytest.mark.parametrize("column", ["t2_c", "t3_c"])
def test_the_two_moving_sensors_are_only_missing_where_nothing_was_recorded(air, column):
    """SOURCE.md: 37 gaps over 30 min, the longest 1560 min from 07-27 04:54."""
    t_ms, columns = air
    found = flags(t_ms, interval_s=600, cabinet_c=columns[column])
    assert {f.flag for f in found} == {"missing"}
    assert len(found) == 37
    longest = max(found, key=lambda f: (f.end or 0) - f.start)
    assert ((longest.end or 0) - longest.start) / MINUTE_MS == pytest.approx(1560, abs=1)


def test_two_sensors_that_hang_apart_do_not_drift(air):
    """t2 by the door and t3 by the plate are 6.5 K apart on average, all week."""
    t_ms, columns = air
    found = flags(t_ms, interval_s=600, cabinet_c=columns["t3_c"], product_c=columns["t2_c"])
    assert "drift" not in {f.flag for f in found}


@pytest.mark.parametrize("column", ["t_min_f", "t_max_f"])
def test_two_weeks_in_a_cool_room_raise_no_flag(column):
    rows = opendata_rows("lfp_bank_74d/room_temp_hourly.csv")
    t_ms = np.array([ms_of_iso(row["hour_start"] + "Z") for row in rows], dtype=np.int64)
    room = np.round(np.array([celsius(float(row[column])) for row in rows]), 3)
    assert flags(t_ms, interval_s=3600, cabinet_c=room) == ()


def test_seventy_four_days_of_a_bank_say_only_that_no_cabinet_was_measured():
    rows = opendata_rows("lfp_bank_74d/bank_voltage_hourly.csv")
    t_ms = np.array([ms_of_iso(row["hour_start"] + "Z") for row in rows], dtype=np.int64)
    volts = np.array([float(row["v_min"]) for row in rows])
    (only,) = flags(t_ms, interval_s=3600, battery_v=volts)
    assert (only.channel, only.flag) == ("cabinet", "missing")
