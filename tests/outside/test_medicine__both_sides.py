"""Medicine kept at 2 to 8 °C, both sides, end to end.

Alarm thresholds of vaccine refrigerators: WHO PQS category E006 (above +8 °C for 10 h from memory; -0.5 °C or
less for 60 min read in secondary copies, one of them of WHO/PQS/E006/TR07 for shipping indicators). They were
not made for insulin or antivenom. 2 to 8 °C as printed on labels: common practice, no source.
"""

import numpy as np
import pytest

from deploy.analyse import analyse, as_text
from services.analytics.assess import assess
from services.analytics.food.kinetic import mean_kinetic_c
from services.domain import SensorCheck, Verdict
from services.domain.fleetfile import parse_unit_file
from services.telemetry.logfile import parse_log
from services.timebase import MINUTE_MS, datetime_of, iso_of
from tests.helpers.logs import MIDNIGHT_MS, entry, every_minute, unit

pytestmark = pytest.mark.outside
BOX = {"classes": ("medicine",), "interval_s": 60, "position": "product"}
WARM_ALARM = {"limit_c": 8.0, "rule": "who-vaccine-alarm", "basis": "probe"}
COLD_ALARM = {"limit_c": -0.5, "rule": "who-vaccine-alarm", "basis": "probe"}


def judged(values, **options):
    series = every_minute(values)
    return assess(series, unit(**BOX), as_of_ms=int(series.t_ms[-1]), **options)


def test_a_quiet_box_is_ok_on_both_sides():
    found = judged(np.full(1440, 5.0))
    assert found.verdict is Verdict.OK
    assert {e.verdict for e in found.exposure if e.rule is not None} == {Verdict.OK}


@pytest.mark.parametrize(("hours", "alarm"), [(9.9, Verdict.WATCH), (10.0, Verdict.HOLD)])
def test_ten_hours_above_8_are_the_alarm(hours, alarm):
    found = judged(np.concatenate((np.full(60, 5.0), np.full(round(hours * 60) + 1, 8.1))))
    warm = entry(found, **WARM_ALARM)
    assert warm.minutes_above == pytest.approx(hours * 60 + 0.0323, abs=0.01)
    assert warm.verdict is alarm
    assert found.verdict is Verdict.HOLD  # the label's own line was passed an hour after it began


@pytest.mark.parametrize(("minutes", "alarm"), [(58, Verdict.WATCH), (61, Verdict.HOLD)])
def test_an_hour_at_half_a_degree_of_frost_is_the_alarm(minutes, alarm):
    found = judged(np.concatenate((np.full(60, 5.0), np.full(minutes + 1, -0.5))))
    assert entry(found, **COLD_ALARM).verdict is alarm
    assert found.verdict is Verdict.HOLD
    assert "may have frozen" in found.verdict_why


def test_frost_of_a_minute_is_asked_about():
    found = judged(np.concatenate((np.full(60, 5.0), np.full(3, -0.2), np.full(60, 5.0))))
    frost = entry(found, basis="probe", limit_c=0.0)
    assert frost.verdict is Verdict.HOLD
    assert "quarantine" in frost.why


def test_a_gap_is_unknown_on_both_sides_and_ends_in_hold():
    series = every_minute(np.full(400, 5.0))
    kept = np.r_[0:100, 250:400]
    gapped = type(series)(series.t_ms[kept], {"cabinet_c": series.columns["cabinet_c"][kept]})
    found = assess(gapped, unit(**BOX), as_of_ms=int(gapped.t_ms[-1]))
    for limit_c in (8.0, 2.0):
        side = entry(found, basis="probe", limit_c=limit_c, rule="medicine-2-8")
        assert side.minutes_unknown == 151
        assert side.compliant == "unknown"
        assert side.verdict is Verdict.HOLD


def test_medicine_is_never_thrown_away_here():
    for held_c in (40.0, -20.0):
        found = judged(np.full(2 * 1440, held_c))
        assert found.verdict is Verdict.HOLD
        assert "ask the pharmacist" in found.verdict_why


def test_a_sensor_that_reads_high_hides_frost_no_longer():
    """Shown 2.6 °C by a sensor that reads 0.8 high in melting ice: 1.8 °C, too cold by the label."""
    checked = [SensorCheck(at=datetime_of(MIDNIGHT_MS), reading_c=0.8)]
    values = np.full(300, 2.6)
    assert judged(values).verdict is Verdict.OK
    found = judged(values, checks=checked)
    assert found.verdict is Verdict.HOLD
    assert entry(found, basis="probe", limit_c=2.0).peak_c == pytest.approx(1.8)
    # and on the warm side nothing was taken off
    assert entry(found, basis="probe", limit_c=8.0, rule="medicine-2-8").peak_c == pytest.approx(2.6)


def test_a_sensor_that_reads_low_clears_no_frost():
    """Shown 1.5 °C by a sensor that reads 0.8 low: 2.3 °C, but nothing is cleared by arithmetic."""
    checked = [SensorCheck(at=datetime_of(MIDNIGHT_MS), reading_c=-0.8)]
    found = judged(np.full(300, 1.5), checks=checked)
    assert entry(found, basis="probe", limit_c=2.0).minutes_above == pytest.approx(299.0)
    assert found.verdict is Verdict.HOLD


def test_modelled_medicine_is_judged_on_both_sides_as_well():
    cold = every_minute(np.concatenate((np.full(60, 5.0), np.full(600, -3.0))))
    settings = unit(classes=("medicine",), interval_s=60)
    found = assess(cold, settings, as_of_ms=int(cold.t_ms[-1]))
    assert entry(found, basis="modelled_food", limit_c=0.0).verdict is Verdict.HOLD
    assert entry(found, basis="modelled_food", limit_c=8.0, rule="medicine-2-8").verdict is Verdict.OK
    assert cold.t_ms[1] - cold.t_ms[0] == MINUTE_MS


LOG_UNIT = """
[unit]
id = "camp-medicine"
kind = "fridge"
interval_s = 60
[food]
classes = ["medicine"]
[supply]
kind = "mains"
[sensor]
position = "product"
"""


def analysed(values, *, leave_out=()):
    """Return what ``bushlarder analyse`` makes of a log of one reading a minute."""
    rows = [
        f"{iso_of(MIDNIGHT_MS + m * MINUTE_MS)},{c:.1f}\n" for m, c in enumerate(values) if m not in leave_out
    ]
    log = parse_log("time,cabinet_c\n" + "".join(rows))
    return analyse(log, parse_unit_file(LOG_UNIT, name="unit.toml"), at=None, max_gap_min=None)


def test_a_log_of_a_warm_day_a_frozen_hour_and_a_gap():
    """Made up: ten hours at 9 °C, an hour and more at -1 °C, ten hours nobody recorded, cold between."""
    values = np.concatenate(
        (np.full(120, 5.0), np.full(605, 9.0), np.full(120, 5.0), np.full(65, -1.0), np.full(900, 5.0))
    )
    found = analysed(values, leave_out=range(1000, 1600))
    assert found.verdict is Verdict.HOLD
    warm, cold = entry(found, **WARM_ALARM), entry(found, **COLD_ALARM)
    # on straight lines: 604 whole minutes and a quarter of one at either end (5 to 9 °C passes 8 °C at 3/4)
    assert warm.minutes_above == pytest.approx(604.5)
    assert cold.minutes_above == pytest.approx(64 + 2 * 0.5 / 6, abs=1e-3)
    assert warm.minutes_unknown == cold.minutes_unknown == 601
    assert (warm.verdict, cold.verdict) == (Verdict.HOLD, Verdict.HOLD)
    # USP 29 <1160> over what was recorded; a trend, it tells of none of these
    by_hand = mean_kinetic_c(np.array([5.0, 9.0, -1.0]), np.array([540.0, 604.0, 64.0]))
    assert found.mean_kinetic_c == pytest.approx(by_hand, abs=0.05)
    assert "ask the pharmacist" in as_text(found)
