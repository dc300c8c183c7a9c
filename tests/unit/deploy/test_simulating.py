from pathlib import Path

import pytest
from typer.testing import CliRunner

from deploy.cli import app
from deploy.simulating import LIBRARY, Job, library
from services.errors import ConfigurationError
from services.timebase import DAY_MS, ms_of_iso
from tests.helpers.small_fleet import write_small_fleet

RUNNER = CliRunner()


def job(scenario, **more):
    return Job.of(Path(scenario), **{"units": None, "days": None, "end": None} | more)


def test_a_scenario_of_the_library_is_known_by_its_name():
    assert "quiet_week" in library()
    assert job("quiet_week").scenario.path == LIBRARY / "quiet_week.toml"


def test_the_stretch_is_the_scenarios_own_unless_something_else_is_asked_for():
    start_ms, end_ms = job("quiet_week").stretch_ms()
    assert (end_ms, end_ms - start_ms) == (ms_of_iso("2026-06-15T04:00:00Z"), 7 * DAY_MS)
    start_ms, end_ms = job("quiet_week", days=2.0, end="2026-01-01T00:00:30Z").stretch_ms()
    assert (end_ms, end_ms - start_ms) == (ms_of_iso("2026-01-01T00:00:00Z"), 2 * DAY_MS)


def test_what_cannot_be_used_is_refused_by_name(tmp_path):
    with pytest.raises(ConfigurationError, match="--end"):
        job("quiet_week", end="yesterday")
    with pytest.raises(ConfigurationError, match="--days"):
        job("quiet_week", days=0.0).stretch_ms()
    with pytest.raises(ConfigurationError, match="nowhere"):
        job(tmp_path / "nowhere.toml")


def test_the_command_writes_files_and_a_picture(tmp_path):
    path = write_small_fleet(tmp_path)
    done = RUNNER.invoke(
        app,
        [
            "simulate", str(path), "--to", str(tmp_path / "out"), "--days", "0.1", "--units", "3",
            "--end", "2026-03-01T00:00:00Z", "--run-out-every-h", "0", "--plot", str(tmp_path / "day.html"),
        ],
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "3 units, 432 samples" in done.output
    assert (tmp_path / "out" / "cart-meat-x2.csv").is_file()
    assert (tmp_path / "day.html").is_file()


def test_the_command_says_what_is_missing(tmp_path):
    path = write_small_fleet(tmp_path)
    nothing = RUNNER.invoke(app, ["simulate", str(path)])
    assert isinstance(nothing.exception, ConfigurationError)
    assert "--broker, --to and --plot" in str(nothing.exception)
    nobody = RUNNER.invoke(
        app, ["simulate", str(path), "--plot", str(tmp_path / "x.html"), "--unit", "no-one"]
    )
    assert "no such unit: no-one" in str(nobody.exception)
