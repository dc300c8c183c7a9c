"""Fleet files with own rules, from the file to the records."""

import pytest

from deploy.fleetfiles import apply_fleet_file, check_file
from services.domain.complaints import FleetFileError
from services.records.facade import Records
from tests.helpers.made import FLEET_TOML, NOON_MS

OWN = """
[[house_rules]]
name = "camp-own"
base = "za-r638-2018"
hold_min = 90

[house_rules.limits_c]
red_meat = 4.0
"""


def fleet_file(tmp_path, own):
    file = tmp_path / "fleet.toml"
    text = FLEET_TOML.replace('classes = ["red_meat"]', 'classes = ["red_meat"]\nrules = ["camp-own"]')
    file.write_text(text + own, encoding="utf-8")
    return file


def test_own_rules_reach_the_settings_of_the_unit_that_names_them(tmp_path):
    records = Records(tmp_path / "records.db")
    apply_fleet_file(records, fleet_file(tmp_path, OWN), who="operator", at_ms=NOON_MS)
    (house,) = records.fleet().settings_of("v3-meat").house_rules
    assert (house.name, house.hold_min) == ("camp-own", 90)
    records.close()


def test_looser_own_rules_are_refused_with_file_line_and_words_and_change_nothing(tmp_path):
    file = fleet_file(tmp_path, OWN.replace("red_meat = 4.0", "red_meat = 6.0"))
    line = next(
        n for n, text in enumerate(file.read_text(encoding="utf-8").splitlines(), 1) if "= 6.0" in text
    )
    with pytest.raises(
        FleetFileError, match=f"fleet.toml, line {line}, .*red_meat: 6 °C is looser than 5 °C"
    ):
        check_file(file)
    records = Records(tmp_path / "records.db")
    with pytest.raises(FleetFileError):
        apply_fleet_file(records, file, who="operator", at_ms=NOON_MS)
    assert records.fleet().units == ()
    records.close()


def test_the_set_point_is_held_against_the_tighter_own_limit(tmp_path):
    file = fleet_file(tmp_path, OWN.replace("red_meat = 4.0", "red_meat = 3.0"))
    refused, remarks = check_file(file)
    assert refused
    assert any("above the limit 3 °C" in remark for remark in remarks)
