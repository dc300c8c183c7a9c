import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
import typer.main

from deploy import cli
from services.settings import Settings, load_settings

ROOT = Path(__file__).resolve().parents[3]
UNIT = '[unit]\nid = "v3-meat"\nkind = "fridge"\nset_point_c = 2.0\n[food]\nclass = "red_meat"\n[supply]\n'
BATTERY = 'chemistry = "agm"\nnominal_v = 12\ncapacity_ah = 100\ncutout_v = 11.4\n'


def run(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "deploy.cli", *map(str, arguments)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.fixture
def unit_file(tmp_path):
    file = tmp_path / "unit.toml"
    file.write_text(UNIT + BATTERY)
    return file


def log_file(tmp_path, rows, header="time,cabinet_c,battery_v,compressor_on"):
    file = tmp_path / "log.csv"
    file.write_text("\n".join([header, *rows]) + "\n")
    return file


def test_a_worked_case_comes_out_of_the_command(tmp_path, unit_file):
    """Food Code 3-501.16 kind of trace: above 5 °C from minute 30 to 90 exactly, on air."""
    rows = [
        f"2026-01-01T{m // 60:02d}:{m % 60:02d}:00Z,{4 + 2 * (1 - abs(m - 60) / 60)},12.6,1"
        for m in range(121)
    ]
    done = run("analyse", log_file(tmp_path, rows), "--unit", unit_file, "--json")
    assert done.returncode == 0, done.stderr
    result = json.loads(done.stdout)
    assert result["schema"] == "bushlarder/analysis/1"
    cabinet = next(e for e in result["exposure"] if e["basis"] == "cabinet" and e["limit_c"] == 5.0)
    assert cabinet["minutes_above"] == pytest.approx(60.0, abs=0.05)
    assert result["samples"] == 121
    assert {
        "cutouts",
        "battery",
        "runout",
        "service",
        "sensors",
        "verdict",
        "assumed",
        "rejected",
    } <= result.keys()


def test_every_null_has_its_reason(here, tmp_path, unit_file):
    rows = [f"2026-01-01T00:{m:02d}:00Z,3.0" for m in range(30)]
    done = here("analyse", log_file(tmp_path, rows, "time,cabinet_c"), "--unit", unit_file, "--json")
    assert done.returncode == 0, done.stderr

    def nulls(value, path=""):
        if isinstance(value, dict):
            for key, inner in value.items():
                if inner is None and key != "rule" and not key.endswith("_reason"):
                    assert value.get(f"{key}_reason"), f"{path}.{key} is null without a reason"
                nulls(inner, f"{path}.{key}")
        elif isinstance(value, list):
            for number, inner in enumerate(value):
                nulls(inner, f"{path}[{number}]")

    nulls(json.loads(done.stdout))


def test_a_bad_cell_is_named_by_line_and_column_and_loses_nothing_else(here, tmp_path, unit_file):
    rows = [f"2026-01-01T00:{m:02d}:00Z,3.0,12.6,1" for m in range(30)]
    rows[4] = "2026-01-01T00:04:00Z,3.0,oops,1"
    done = here("analyse", log_file(tmp_path, rows), "--unit", unit_file, "--json")
    result = json.loads(done.stdout)
    assert [(cell["line"], cell["column"]) for cell in result["rejected"]] == [(6, "battery_v")]
    assert result["samples"] == 30


@pytest.mark.parametrize(
    ("content", "words"),
    [("", "log.csv"), ("a,b\n1,2\n", "log.csv"), ("time,cabinet_c\nnonsense,3\n", "line 2")],
)
def test_a_log_without_a_usable_row_ends_with_2_and_nothing_on_stdout(
    here, tmp_path, unit_file, content, words
):
    file = tmp_path / "log.csv"
    file.write_text(content)
    done = here("analyse", file, "--unit", unit_file, "--json")
    assert done.returncode == 2
    assert done.stdout == ""
    assert words in done.stderr
    assert "Traceback" not in done.stderr


def test_a_broken_unit_file_names_key_and_line(tmp_path):
    file = tmp_path / "unit.toml"
    file.write_text(UNIT + "nominal_v = 13\ncable_mn2 = 6\n")
    done = run("analyse", log_file(tmp_path, ["2026-01-01T00:00:00Z,3,12,1"]), "--unit", file)
    assert done.returncode == 2
    assert re.search(r"nominal_v", done.stderr)
    assert re.search(r"cable_mn2", done.stderr)
    assert re.search(r"line \d+", done.stderr)
    assert done.stdout == ""


def test_later_rows_than_at_are_left_out_and_counted(here, tmp_path, unit_file):
    rows = [f"2026-01-01T00:{m:02d}:00Z,3.0,12.6,1" for m in range(30)]
    done = here(
        "analyse", log_file(tmp_path, rows), "--unit", unit_file, "--json", "--at", "2026-01-01T00:10:00Z"
    )
    result = json.loads(done.stdout)
    assert (result["samples"], result["after_at"]) == (11, 19)
    assert result["as_of"] == "2026-01-01T00:10:00Z"


def test_import_stores_once_and_says_so_the_second_time(tmp_path):
    data = tmp_path / "data"
    fleet = tmp_path / "fleet.toml"
    fleet.write_text('[[unit]]\nid = "v3-meat"\nkind = "fridge"\nset_point_c = 2.0\n')
    assert run("fleet", "apply", fleet, "--who", "Rosa", "--data", data).returncode == 0
    log = log_file(tmp_path, [f"2026-01-01T00:{m:02d}:00Z,3.0,12.6,1" for m in range(30)])
    first = run("import", log, "--unit", "v3-meat", "--data", data)
    assert first.stdout.startswith("30 stored"), first.stderr
    again = run("import", log, "--unit", "v3-meat", "--data", data)
    assert again.stdout.startswith("0 stored, 30 already there")
    stranger = run("import", log, "--unit", "v9-meat", "--data", data)
    assert stranger.returncode == 2
    assert "v9-meat" in stranger.stderr


def test_check_config_refuses_a_set_point_that_cannot_keep_its_limit(here, tmp_path):
    fleet = tmp_path / "fleet.toml"
    fleet.write_text(
        '[[unit]]\nid = "v3-fish"\nkind = "fridge"\nset_point_c = 3.5\n[unit.food]\nclasses = ["fish"]\n'
    )
    done = here("check-config", fleet, "--data", tmp_path / "data")
    assert done.returncode == 2
    assert "v3-fish" in done.stderr


def test_settings_come_from_file_then_environment_then_command_line(tmp_path, monkeypatch):
    (tmp_path / "bushlarder.toml").write_text('port = 9001\nlog_level = "warning"\n')
    assert load_settings(tmp_path).port == 9001
    monkeypatch.setenv("BUSHLARDER_PORT", "9002")
    assert load_settings(tmp_path).port == 9002
    assert load_settings(tmp_path, port=9003).port == 9003
    assert load_settings(tmp_path).log_level == "warning"


@pytest.mark.parametrize(
    "line", ["port = 70000", 'colour = "red"', "port = ", 'broker_password = "changeme"']
)
def test_a_wrong_setting_is_named(here, tmp_path, line):
    (tmp_path / "bushlarder.toml").write_text(line + "\n")
    done = here("check-config", "--data", tmp_path)
    assert done.returncode == 2
    assert line.split()[0] in done.stderr or "bushlarder.toml" in done.stderr
    assert "Traceback" not in done.stderr


def test_every_command_and_every_setting_stands_in_the_readme():
    readme = (ROOT / "README.md").read_text()
    names = set()

    def walk(group, prefix):
        for name, command in group.commands.items():
            if hasattr(command, "commands"):
                walk(command, f"{prefix}{name} ")
            else:
                names.add(prefix + name)

    walk(typer.main.get_command(cli.app), "bushlarder ")
    assert {name for name in names if name not in readme} == set()
    assert {name for name in Settings.model_fields if f"`{name}`" not in readme} == set()
