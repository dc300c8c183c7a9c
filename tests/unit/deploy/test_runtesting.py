"""The command that judges a test from a logger's file: words, JSON, certificate, and what it refuses."""

import io
import json
from datetime import UTC

import pytest
from pypdf import PdfReader
from typer.testing import CliRunner

from dashboards.figures.runtest import paper
from deploy.cli import app
from deploy.runtesting import samples_of
from services.analytics.service.holdtest import holdover_test
from services.analytics.service.runtest_lines import Asked
from services.errors import ConfigurationError
from services.timebase import HOUR_MS, MINUTE_MS, iso_of
from tests.helpers.benched import SHUT, START_MS, played, settings

UNIT = """[unit]
id = "bench-1"
kind = "fridge"
set_point_c = 2.0
[supply]
chemistry = "agm"
nominal_v = 12
capacity_ah = 100
cable_length_m = 5.0
cable_mm2 = 6.0
"""
COLUMNS = ("cabinet_c", "battery_v", "compressor_on", "ambient_c")


def asked(tmp_path, series, *words, unit=UNIT):
    (tmp_path / "unit.toml").write_text(unit, encoding="utf-8")
    rows = [
        ",".join([iso_of(int(t)), *(f"{series.columns[c][k]:g}" for c in COLUMNS)])
        for k, t in enumerate(series.t_ms)
    ]
    log = tmp_path / "log.csv"
    log.write_text("\n".join([",".join(("time", *COLUMNS)), *rows]), encoding="utf-8")
    return CliRunner().invoke(app, ["runtest", str(log), "--unit", str(tmp_path / "unit.toml"), *words])


def test_a_run_is_told_in_words_with_its_limits_and_what_was_not_measured(tmp_path):
    done = asked(tmp_path, played(12), "--lid-shut")
    assert done.exit_code == 0, done.output
    for words in (
        "PASS",
        "Supply, lowest quarter hour: 12.80 V, at least 12.20 V -> within",
        "common practice, no source",
        "Not measured: Current, running",
        "no clearance for food",
        "licensed technicians",
    ):
        assert words in done.output
    assert "NOT VALID" in asked(tmp_path, played(12)).output


def test_json_and_certificate_say_the_same(tmp_path):
    pdf = tmp_path / "certificate.pdf"
    words = ("--lid-shut", "--serial", "17-A", "--technician", "B. Mwale", "--pdf", str(pdf), "--json")
    done = asked(tmp_path, played(12), *words)
    found = json.loads(done.output)
    assert (found["schema"], found["verdict"]) == ("bushlarder/runtest/1", "pass")
    assert found["words"]["serial"] == "17-A"
    paper = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf.read_bytes())).pages)
    for told in ("Pass", "17-A", "B. Mwale", "bench-1", "12.80 V"):
        assert told in paper


def test_the_last_twelve_hours_are_the_test_and_what_lies_before_its_own_days(tmp_path):
    series = played(48, begin_c=2.0)
    found = json.loads(asked(tmp_path, series, "--lid-shut", "--json").output)
    assert found["start"] == iso_of(START_MS + 36 * HOUR_MS)
    assert found["stretches_before"] == 6
    assert {each["key"] for each in found["days_before"]} >= {"slope", "mean_c"}
    begin, end = iso_of(START_MS + 12 * HOUR_MS), iso_of(START_MS + 20 * HOUR_MS)
    part = json.loads(asked(tmp_path, series, "--lid-shut", "--from", begin, "--to", end, "--json").output)
    assert (part["verdict"], part["because"]) == ("not_valid", ["length_h"])


def test_a_hold_over_is_timed_from_its_first_row(tmp_path):
    series = played(3, begin_c=2.0, off_from_h=0.0)
    done = asked(tmp_path, series, "--kind", "hold-over", "--lid-shut", "--hours", "0.5", "--json")
    found = json.loads(done.output)
    assert (found["kind"], found["verdict"]) == ("hold_over", "pass")
    assert 0.5 < next(line["value"] for line in found["lines"] if line["key"] == "hold_h") < 0.75


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (("--kind", "walk"), "--kind"),
        (("--from", "yesterday"), "--from"),
        (("--from", iso_of(START_MS + 99 * HOUR_MS)), "--to"),
        (("--to", iso_of(START_MS - MINUTE_MS), "--from", iso_of(START_MS - HOUR_MS)), "--from"),
        (("--timezone", "Nowhere/Here"), "--timezone"),
        (("--ambient-c", "31", "--ambient-c", "nan"), "--ambient-c"),
        (("--ambient-c", "1000"), "--ambient-c"),
        (("--pdf", "/nowhere/at/all.pdf"), "/nowhere/at/all.pdf"),
    ],
)
def test_what_cannot_be_done_names_the_option(tmp_path, words, named):
    done = asked(tmp_path, played(1), *words)
    assert isinstance(done.exception, ConfigurationError)
    assert named in str(done.exception)
    assert done.output == ""


def test_the_chart_of_a_short_test_is_drawn_in_one_line():
    series = played(2, begin_c=2.0, off_from_h=0.0)
    asked_of = Asked(START_MS, START_MS + 2 * HOUR_MS, SHUT)
    found = holdover_test(series, settings(), asked_of, offline=True)
    drawn = paper(samples_of(series, found), found, zone=UTC)
    assert len(drawn.cabinet) == 1
    assert drawn.cabinet[0].count(",") > 10
    assert drawn.ran == ()
