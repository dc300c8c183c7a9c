"""Reading a simulated stretch as the back-test of findings does."""

from pathlib import Path

import numpy as np
import pytest

from deploy.backtest_simulated import write_year
from deploy.backtest_years import longest_without, looks_of, read_series, read_year, warm_spells
from deploy.simulating import Job
from services.domain import Unit, UnitSettings
from services.errors import ConfigurationError
from services.telemetry import Series
from services.timebase import DAY_MS, MINUTE_MS


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    job = Job.of(Path("fleet_year"), units=2, days=1.0, end=None)
    start_ms, end_ms = job.stretch_ms()
    into = tmp_path_factory.mktemp("year")
    write_year(job.scenario, into, start_ms=start_ms, end_ms=end_ms, pieces=1, run_in_d=0)
    return into


def test_a_year_has_days_settings_and_the_faults_of_each_unit(folder):
    year = read_year(folder)
    assert year.end_ms - year.start_ms == DAY_MS
    assert len(year.units) == 2
    one = year.units[0]
    assert len(one.table) == 1
    assert one.table.days[0].duty is not None
    assert {fault.kind for fault in one.faults} == {"refrigerant_leak"}
    assert one.marks[0].at == one.faults[0].ends_ms


def test_a_unit_without_a_sensor_of_its_own_borrows_the_air_of_its_site(folder):
    told = {day.ambient_from for one in read_year(folder).units for day in one.table.days}
    assert told == {"measured", "neighbour"}


def test_a_log_is_read_in_order_of_time(folder):
    series = read_series(next(folder.glob("*.parquet")))
    assert np.all(np.diff(series.t_ms) >= 0)
    assert np.isfinite(series.numbers("cabinet_c")).all()


def test_food_at_risk_is_warm_for_longer_than_it_ever_is_without_a_fault():
    hour = 60 * MINUTE_MS
    told = {
        "above": {"food_c": {"4.0": {"episodes_ms": [[0, 9]]}, "5.0": {"episodes_ms": [[0, 7], [20, 21]]}}}
    }
    assert warm_spells(told, 4.5) == [(0, 7), (20, 21)]
    assert warm_spells(told, 30.0) == [(0, 7), (20, 21)]
    warm = [(0, hour), (30 * DAY_MS, 30 * DAY_MS + 5 * hour), (33 * DAY_MS, 33 * DAY_MS + 3 * hour)]
    assert longest_without(warm, []) == 5 * hour
    assert longest_without(warm, [(29 * DAY_MS, 31 * DAY_MS)]) == hour  # the third is its aftermath
    assert longest_without(warm, [(0, None)]) == 0


def test_a_folder_without_a_year_is_said_so(tmp_path):
    with pytest.raises(ConfigurationError, match="no simulated year"):
        read_year(tmp_path)


def test_a_year_is_looked_at_week_by_week():
    t_ms = np.arange(0, 21 * DAY_MS, 10 * MINUTE_MS, dtype=np.int64)
    late = t_ms >= 10 * DAY_MS
    cabinet = np.where(late, 15.0, 3.0 + np.sin(t_ms / (20.0 * MINUTE_MS)))
    on = np.where(late, 1.0, (np.cos(t_ms / (20.0 * MINUTE_MS)) < 0.0).astype(float))
    series = Series(t_ms, {"cabinet_c": cabinet, "compressor_on": on})
    settings = UnitSettings.of(Unit(id="cold-1", kind="fridge"))
    looks = looks_of(series, settings, start_ms=0, end_ms=21 * DAY_MS)
    assert [look.at_ms for look in looks] == [7 * DAY_MS, 14 * DAY_MS, 21 * DAY_MS]
    told = [{finding.finding for finding in look.found} for look in looks]
    both = {"compressor hardly ever stops", "cabinet never reaches its set point"}
    assert [both <= names for names in told] == [False, True, True]
