"""What is due as a file from the command line, on real databases."""

import csv
import io

import pytest
from icalendar import Calendar
from typer.testing import CliRunner

from deploy.cli import app
from services.clock import now_ms
from services.domain import DepartureSaid, JobOpened, Part
from services.errors import ConfigurationError
from services.records.facade import Records
from services.store.sqlite import SqliteStore
from services.timebase import DAY_MS, datetime_of
from tests.helpers.larder import fleet


@pytest.fixture(scope="module")
def data(tmp_path_factory):
    folder = tmp_path_factory.mktemp("data")
    SqliteStore(folder / "telemetry.db").close()
    records = Records(folder / "records.db")
    records.apply_fleet(fleet(), who="operator", now_ms=now_ms() - DAY_MS)
    soon = datetime_of(now_ms() + DAY_MS)
    fuse = Part(what="fuse 15 A", count=2)
    asked = JobOpened(
        person="Thandi M.", unit="v3-meat", work="wiring", reason="x", parts=(fuse,), cold_by=soon
    )
    records.open_job(asked, now_ms=now_ms())
    records.say_departure(DepartureSaid(person="Thandi M.", site="vehicle-3", leaves=soon), now_ms=now_ms())
    records.close()
    return folder


def test_the_calendar_holds_the_job_and_the_departure(data, tmp_path):
    to = tmp_path / "due.ics"
    done = CliRunner().invoke(app, ["export", "due", "--to", str(to), "--data", str(data)])
    assert done.exit_code == 0, done.output
    assert "1 due, 1 departures" in done.output
    events = Calendar.from_ical(to.read_bytes()).walk("VEVENT")
    assert [str(event["summary"]) for event in events] == [
        "Vehicle 3 leaves",
        "Meat chest: Job 1: Wiring and settings",
    ]


def test_the_table_holds_what_has_no_date_too(data, tmp_path):
    to = tmp_path / "due.csv"
    done = CliRunner().invoke(app, ["export", "due", "--to", str(to), "--data", str(data)])
    assert done.exit_code == 0, done.output
    rows = list(csv.DictReader(io.StringIO(to.read_text("utf-8-sig"))))
    assert rows[0]["Parts to take"] == "2 \N{MULTIPLICATION SIGN} fuse 15 A"
    assert {row["Due"] for row in rows[1:]} == {"never recorded"}


def test_a_file_that_is_neither_is_refused(data, tmp_path):
    done = CliRunner().invoke(app, ["export", "due", "--to", str(tmp_path / "due.txt"), "--data", str(data)])
    assert isinstance(done.exception, ConfigurationError)
    assert "must be .ics or .csv" in str(done.exception)
