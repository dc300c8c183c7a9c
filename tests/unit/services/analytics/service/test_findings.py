import numpy as np
import pytest

from services.analytics.power.assess import power
from services.telemetry import Series
from tests.helpers.made_supply import START_MS, Story, played, settings_for


def findings(series, settings=None):
    settings = settings_for(Story()) if settings is None else settings
    found = power(series, settings, as_of_ms=int(series.t_ms[-1]), food_limit_c=5.0).findings
    return {finding.finding: finding for finding in found}


def true_rows(finding):
    compare = {
        ">": lambda a, b: a > b,
        ">=": lambda a, b: a >= b,
        "<": lambda a, b: a < b,
        "<=": lambda a, b: a <= b,
    }
    return all(compare[row.operator](row.value, row.threshold) for row in finding.evidence)


def test_a_healthy_unit_has_none():
    assert findings(played(Story(days=2))) == {}


def test_a_bad_joint_shows_as_resistance_beside_a_healthy_voltage():
    found = findings(played(Story(days=1, path_ohm=0.25, soc=0.95)))
    finding = found["supply path resistance high"]
    assert finding.evidence[0].value == pytest.approx(0.258, abs=0.01)
    assert finding.evidence[1].operator == ">="
    assert true_rows(finding)


def test_a_coarse_reading_does_not_raise_a_resistance_finding_by_itself():
    assert findings(played(Story(days=1, path_ohm=0.1, step_v=0.1))) == {}


def test_two_cut_outs_in_a_week_are_repeated_and_one_is_not():
    sun = lambda m: 3.0 if 400 < m % 1440 < 900 else 0.0  # noqa: E731
    many = findings(played(Story(days=12, soc=0.7, charge_a=sun)))
    assert true_rows(many["repeated cut-outs"])
    assert "repeated cut-outs" not in findings(played(Story(days=3, soc=0.5)))


def test_a_weak_battery_is_seen_in_what_it_delivers():
    sun = lambda m: 8.0 if 400 < m % 1440 < 900 else 0.0  # noqa: E731
    found = findings(played(Story(days=4, soc=0.7, capacity_ah=25, charge_a=sun)))
    assert true_rows(found["battery falls fast"])


def test_a_weak_battery_is_seen_in_its_rest_voltages_before_it_ever_cuts_out():
    series = played(Story(days=0.8, soc=0.95, capacity_ah=35))
    finding = findings(series)["battery falls fast"]
    assert finding.evidence[0].unit == "Ah"
    assert finding.evidence[0].value == pytest.approx(35, rel=0.15)
    assert true_rows(finding)


def test_a_compressor_that_never_stops_for_days_is_found():
    series = played(Story(days=3, pull_down_k_per_h=3.3, capacity_ah=2000, start_c=4.0))
    finding = findings(series)["compressor hardly ever stops"]
    assert true_rows(finding)
    assert finding.due is None
    assert finding.due_reason


def test_a_cabinet_that_never_gets_cold_is_found_and_one_hot_day_is_not_enough():
    series = played(Story(days=3, pull_down_k_per_h=2.6, capacity_ah=2000, start_c=9.0))
    assert "cabinet never reaches its set point" in findings(series)
    day = series.between(START_MS, START_MS + 86_400_000)
    assert "cabinet never reaches its set point" not in findings(day)


def test_reported_trips_are_counted():
    series = played(Story(days=1, tripped=lambda m: 300 < m < 340 or 700 < m < 740))
    minute = (series.t_ms - START_MS) / 60_000
    tripped = ((minute > 300) & (minute < 340)) | ((minute > 700) & (minute < 740))
    fault = np.where(tripped, "over_temperature", None).astype(object)
    found = findings(Series(series.t_ms, {**series.columns, "fault": fault}))
    on = series.columns["compressor_on"]
    stopped_by_trip = sum(
        1 for i in range(len(on) - 1) if on[i] == 1 and on[i + 1] == 0 and (tripped[i] or tripped[i + 1])
    )
    assert ("over-temperature stops" in found) == (stopped_by_trip >= 2)


def test_every_check_is_a_thing_to_look_at_and_not_a_diagnosis():
    found = findings(played(Story(days=1, path_ohm=0.25, soc=0.95)))
    assert all(
        finding.check.startswith(("Measure", "Check", "Test", "Seen", "Compare"))
        for finding in found.values()
    )
