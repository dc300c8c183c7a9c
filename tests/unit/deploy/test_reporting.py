import subprocess
import sys
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from dashboards.reports import sheet, table
from deploy import reporting
from deploy.analyse import analyse, read_log, read_unit
from deploy.reporting import Files, Period
from services.errors import ConfigurationError
from services.timebase import DAY_MS, MINUTE_MS, Span, iso_of, ms_of_iso
from tests.helpers.inspected import DAY, PRINTED_MS, TODAY, open_book, steady, warm_between

ROOT = Path(__file__).resolve().parents[3]
LUSAKA = ZoneInfo("Africa/Lusaka")
UNIT = (
    '[unit]\nid = "v3-meat"\nkind = "fridge"\nset_point_c = 2.0\ninterval_s = 60\n'
    '[food]\nclass = "red_meat"\n[supply]\nkind = "mains"\n'
)


def command(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "deploy.cli", "report", "food", *map(str, arguments)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.fixture
def log_files(tmp_path):
    log, unit = tmp_path / "log.csv", tmp_path / "unit.toml"
    unit.write_text(UNIT)
    rows = [
        f"{iso_of(DAY + m * MINUTE_MS)},{warm_between(600, 900)(m):.3f}"
        for m in range(2 * 1440)
        if not 1200 < m < 1260
    ]
    log.write_text("\n".join(["time,cabinet_c", *rows, f"{iso_of(DAY + 1230 * MINUTE_MS)},warm"]) + "\n")
    return log, unit


def of_file(log_files, period=None):
    log, unit = log_files
    return reporting.of_file(
        read_log(log, columns={}, time_column=None, timezone=None),
        read_unit(unit),
        period or Period(timezone="Africa/Lusaka"),
        printed_ms=PRINTED_MS,
        name=log.name,
    )


def test_a_day_asked_for_is_a_day_at_the_place_and_the_last_one_is_included():
    asked = reporting.span_asked(Period("2026-03-04", "2026-03-05"), LUSAKA, now_ms=PRINTED_MS)
    assert asked == Span(DAY, DAY + 2 * DAY_MS)


def test_a_time_with_an_offset_is_taken_as_it_stands():
    asked = reporting.span_asked(
        Period("2026-03-04T10:00:00+02:00", "2026-03-04T12:00:00Z"), LUSAKA, now_ms=PRINTED_MS
    )
    assert asked == Span(ms_of_iso("2026-03-04T08:00:00Z"), ms_of_iso("2026-03-04T12:00:00Z"))


def test_nothing_is_told_of_the_future():
    asked = reporting.span_asked(Period("2026-03-05", "2026-04-30"), LUSAKA, now_ms=PRINTED_MS)
    assert asked.end_ms == PRINTED_MS


@pytest.mark.parametrize(
    "period",
    [
        Period("soon", None),
        Period("2026-03-05", "2026-03-04"),
        Period("2026-03-07", None),
        Period("2024-01-01", None),
        Period("2026-03-04T10:00:00", None),
        Period("9999-12-31", "9999-12-31"),
    ],
)
def test_a_period_that_makes_no_sense_is_refused_with_the_option_named(period):
    with pytest.raises(ConfigurationError, match=r"--from|--to"):
        reporting.span_asked(period, LUSAKA, now_ms=PRINTED_MS)


def test_the_csv_of_a_log_analysed_again_gives_the_same_minutes(log_files, tmp_path):
    log, unit = log_files
    again = tmp_path / "again.csv"
    again.write_bytes(table.csv_bytes(of_file(log_files)))
    settings = read_unit(unit)
    first, second = (
        analyse(
            read_log(file, columns={}, time_column=None, timezone=None), settings, at=None, max_gap_min=None
        )
        for file in (log, again)
    )
    assert second.samples >= first.samples
    for one, two in zip(first.exposure, second.exposure, strict=True):
        assert (two.limit_c, two.basis) == (one.limit_c, one.basis)
        assert two.minutes_above == pytest.approx(one.minutes_above, abs=1e-6)
        assert two.minutes_unknown == pytest.approx(one.minutes_unknown, abs=0.05)


def test_the_days_of_a_file_add_up_to_what_analyse_says(log_files):
    log, unit = log_files
    whole = analyse(
        read_log(log, columns={}, time_column=None, timezone=None), read_unit(unit), at=None, max_gap_min=None
    )
    made = of_file(log_files)
    for basis in ("modelled_food", "cabinet"):
        (entry,) = [e for e in whole.exposure if e.basis == basis]
        lines = [x.exposure for day in made.days for x in day.lines if x.exposure.basis == basis]
        assert sum(e.minutes_above for e in lines) == pytest.approx(entry.minutes_above, abs=0.05)
        assert sum(e.minutes_unknown for e in lines) == pytest.approx(60.0, abs=0.05)


def test_a_cell_that_could_not_be_read_stands_in_the_log(log_files):
    made = of_file(log_files)
    assert [cell.column for cell in made.rejected] == ["cabinet_c"]
    assert "what people said is not in it" in sheet.html(made)


def test_files_are_named_by_unit_and_days_where_no_name_is_given(log_files, tmp_path):
    made = of_file(log_files)
    named = Files().or_in(tmp_path, made)
    assert named.pdf == tmp_path / "v3-meat_log_2026-03-04_2026-03-05.pdf"
    assert named.csv == tmp_path / "v3-meat_log_2026-03-04_2026-03-05.csv"
    only = Files(csv=tmp_path / "x.csv").or_in(None, made)
    assert only == Files(csv=tmp_path / "x.csv")


def test_a_file_that_cannot_be_written_is_named(log_files, tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("")
    with pytest.raises(ConfigurationError, match="cannot be written"):
        reporting.write(of_file(log_files), Files(csv=blocked / "x.csv"))


def test_the_command_writes_pdf_and_csv_from_a_loggers_file(log_files, tmp_path):
    log, unit = log_files
    out = tmp_path / "out"
    done = command("--log", log, "--unit-file", unit, "--to-dir", out, "--printed-at", "2026-03-06T08:00:00Z")
    assert done.returncode == 0, done.stderr
    assert sorted(p.suffix for p in out.iterdir()) == [".csv", ".pdf"]
    first = {p.name: p.read_bytes() for p in out.iterdir()}
    command("--log", log, "--unit-file", unit, "--to-dir", out, "--printed-at", "2026-03-06T08:00:00Z")
    assert {p.name: p.read_bytes() for p in out.iterdir()} == first


@pytest.mark.parametrize(
    ("arguments", "words"),
    [((), "one of --unit and --log"), (("--log", "x.csv"), "--unit-file")],
)
def test_what_is_missing_is_named_with_exit_2(here, tmp_path, arguments, words):
    done = here("report", "food", *arguments, "--data", tmp_path / "data", "--csv", tmp_path / "x.csv")
    assert done.returncode == 2
    assert words in done.stderr


def test_a_unit_nobody_knows_is_one_line_and_exit_2(tmp_path):
    done = command("--unit", "nobody", "--data", tmp_path / "data", "--csv", tmp_path / "x.csv")
    assert done.returncode == 2
    assert "no unit 'nobody'" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_command_reads_the_databases_of_a_box(tmp_path):
    book = open_book(tmp_path, steady)
    book.close()
    done = command(
        "--unit", "camp-meat", "--from", TODAY, "--to", TODAY, "--data", tmp_path, "--csv", tmp_path / "x.csv"
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "x.csv").read_text(encoding="utf-8-sig").count("\nreading,") == 1440


@pytest.mark.parametrize("limit", [-3.0, 0.0, float("nan"), float("inf")])
def test_a_gap_limit_that_is_no_length_of_time_is_refused(log_files, limit):
    log, unit = log_files
    parsed = read_log(log, columns={}, time_column=None, timezone=None)
    with pytest.raises(ConfigurationError, match="no length of time"):
        reporting.of_file(
            parsed, read_unit(unit), Period(), printed_ms=PRINTED_MS, name=log.name, max_gap_min=limit
        )
