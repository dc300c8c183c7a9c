"""Reading a simulated stretch as the back-test of findings does."""

from pathlib import Path

import numpy as np
import pytest

from deploy.backtest_years import read_series, read_year
from deploy.simulate_files import write_files
from deploy.simulating import Job
from services.errors import ConfigurationError
from services.timebase import DAY_MS


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    job = Job.of(Path("fleet_year"), units=2, days=1.0, end=None)
    start_ms, end_ms = job.stretch_ms()
    into = tmp_path_factory.mktemp("year")
    write_files(job.scenario, into, start_ms=start_ms, end_ms=end_ms, run_out_every_h=0.0)
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


def test_a_folder_without_a_year_is_said_so(tmp_path):
    with pytest.raises(ConfigurationError, match="no simulated year"):
        read_year(tmp_path)
