import json

import pytest
from typer.testing import CliRunner

from deploy.cli import app
from deploy.planning import as_text, plan, read_trip
from services.errors import ConfigurationError
from tests.helpers.trips import DRIVES, FLEET, HEAD, WARM_DRINKS


@pytest.fixture
def files(tmp_path):
    (tmp_path / "fleet.toml").write_text(FLEET, encoding="utf-8")
    (tmp_path / "trip.toml").write_text(HEAD.format(nights=1) + DRIVES + WARM_DRINKS, encoding="utf-8")
    return tmp_path


def test_a_trip_and_a_fleet_become_a_plan_in_words(files):
    made = plan(read_trip(files / "trip.toml", files / "fleet.toml"))
    words = as_text(made)
    lines = words.splitlines()
    assert lines[0].startswith("Pan loop: It ")
    assert any(line.startswith("  weakest at ") for line in lines)
    assert "20 kg of drinks at 30.0 °C in Meat chest" in words
    hours = [line for line in lines if line[:3].strip().isdigit() and line[3:4] == " "]
    assert len(hours) == 24
    assert "Fuse every cable at the battery" in words


def test_the_command_prints_words_or_json(files):
    trip, fleet = str(files / "trip.toml"), str(files / "fleet.toml")
    shown = CliRunner().invoke(app, ["plan", trip, "--fleet", fleet])
    assert shown.exit_code == 0
    assert "Pan loop" in shown.stdout
    whole = CliRunner().invoke(app, ["plan", trip, "--fleet", fleet, "--json"])
    document = json.loads(whole.stdout)
    assert document["schema"] == "bushlarder/plan/1"
    assert len(document["hours"]) == 24
    assert document["hours"][0]["at"].startswith("2026-10-12T10:00:00")


def test_a_fault_names_file_line_and_key(files):
    (files / "trip.toml").write_text(HEAD.format(nights=0), encoding="utf-8")
    with pytest.raises(ConfigurationError, match=r"trip\.toml, line 5, trip\.nights"):
        read_trip(files / "trip.toml", files / "fleet.toml")
    with pytest.raises(ConfigurationError, match="cannot be read"):
        read_trip(files / "none.toml", None)
