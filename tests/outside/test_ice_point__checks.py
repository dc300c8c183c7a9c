"""Checks in melting ice: 0 ± 1 °C passes (Hong Kong Centre for Food Safety, read in a secondary copy).

What follows from a check is this project's reading: a failed one reaches backwards to the last good one, low
readings are put right, high ones are not. Minutes by the FSANZ 2-hour/4-hour rule, Standard 3.2.2.
"""

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from services.analytics.assess import assess, worst_between
from services.analytics.sensor_checks import BOILS_C, corrections, passes
from services.domain import SensorCheck, Verdict
from services.timebase import datetime_of
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS, entry, every_minute, unit

pytestmark = pytest.mark.outside
FSANZ = {"classes": ("cooked",), "rules": ("fsanz-3.2.2",), "interval_s": 60}


def check(reading_c, minute):
    return SensorCheck(at=datetime_of(MIDNIGHT_MS) + timedelta(minutes=minute), reading_c=reading_c)


def judged(checks, *, held_c=4.2, minutes=300):
    series = every_minute(np.full(minutes + 1, held_c))
    return assess(series, unit(**FSANZ), as_of_ms=int(series.t_ms[-1]), checks=checks)


def test_ice_1_reading_high_by_less_than_a_degree_passes_and_is_kept():
    assert passes(check(0.8, 0))
    (_, after) = corrections([check(0.8, 0)])
    assert (after.high_k, after.offset_k, after.failed) == (0.8, 0.0, False)


def test_ice_2_reading_1_2_low_fails():
    assert not passes(check(-1.2, 0))
    (before, after) = corrections([check(-1.2, 0)])
    assert before.failed
    assert after.failed
    assert (before.offset_k, after.offset_k) == (1.2, 1.2)


def test_ice_3_a_failed_check_reaches_backwards_over_every_minute():
    """4.2 °C for 300 min since the last good check is 5.4 °C corrected: 300 min above 5 °C, over 4 h."""
    without = judged([check(0.0, 0)])
    assert without.verdict is Verdict.OK
    found = judged([check(0.0, 0), check(-1.2, 300)])
    exposure = entry(found, basis="modelled_food")
    assert exposure.minutes_above == pytest.approx(300.0)
    assert exposure.peak_c == pytest.approx(5.4)
    assert found.verdict is Verdict.DISCARD_ADVISED
    assert any("reads 1.2 K low" in words and "recomputed" in words for words in found.assumed)
    (flag,) = [f for f in found.sensors if f.flag == "check_failed"]
    assert (flag.channel, flag.start, flag.end) == ("cabinet", MIDNIGHT_MS, None)


def test_ice_3_by_the_way_the_service_follows_a_standing_verdict():
    series = every_minute(np.full(301, 4.2))
    last_ms = int(series.t_ms[-1])
    checks = [check(0.0, 0), check(-1.2, 300)]
    verdict, _, _ = worst_between(series, unit(**FSANZ), from_ms=MIDNIGHT_MS, to_ms=last_ms, checks=checks)
    assert verdict is Verdict.DISCARD_ADVISED


def test_ice_3_only_since_the_last_good_check():
    found = judged([check(0.0, 100), check(-1.2, 300)])
    # From the last raw minute (4.2 °C) to the first corrected one (5.4 °C) the line passes 5 °C at 2/3.
    assert entry(found, basis="cabinet").minutes_above == pytest.approx(200 + 1 / 3)


def test_ice_4_reading_high_clears_nothing():
    """A sensor that reads 1.3 high: old alarms may have been false, the minutes stay."""
    warm = judged([check(0.0, 0), check(1.3, 300)], held_c=5.4)
    assert entry(warm, basis="cabinet").minutes_above == pytest.approx(300.0)
    assert warm.verdict is judged([], held_c=5.4).verdict is Verdict.DISCARD_ADVISED
    assert any("reads 1.3 K high: not taken off" in words for words in warm.assumed)
    assert [f.flag for f in warm.sensors] == ["check_failed"]


def test_a_check_not_made_yet_is_not_known_yet():
    series = every_minute(np.full(301, 4.2))
    before = assess(series, unit(**FSANZ), as_of_ms=MIDNIGHT_MS + 299 * MINUTE_MS, checks=[check(-1.2, 300)])
    assert before.verdict is Verdict.OK


@pytest.mark.parametrize("height_m", list(BOILS_C))
def test_water_boils_lower_in_the_hills(height_m):
    """Standard atmosphere, ISO 2533:1975 (from memory), into the Antoine equation of water (from memory).

    Where it boils under 99 °C a sound thermometer would fail 99 to 101 °C: camps in the hills use ice only.
    """
    pressure_mmhg = 760.0 * (1.0 - 2.25577e-5 * height_m) ** 5.25588
    boils_c = 1730.63 / (8.07131 - math.log10(pressure_mmhg)) - 233.426
    assert BOILS_C[height_m] == pytest.approx(boils_c, abs=0.05)
    assert BOILS_C[height_m] < 99.0


def test_the_moment_of_a_check_is_an_aware_time():
    assert check(0.0, 0).at == datetime(2025, 10, 10, tzinfo=UTC)
