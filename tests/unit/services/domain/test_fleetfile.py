"""Fleet and unit files: what is read, and what is said of a wrong one."""

import datetime as dt

import pytest

from services.domain.complaints import FleetFileError
from services.domain.fleetfile import parse_fleet, parse_unit_file
from services.errors import ConfigurationError
from tests.helpers.made import FLEET_TOML

UNIT_TOML = """\
[unit]
id = "v3-meat"
kind = "fridge"

[food]
class = "fish"

[supply]
kind = "battery"
chemistry = "agm"
nominal_v = 12
capacity_ah = 100
cutout_v = 11.4
restart_v = 12.5

[compressor]
running_a = 4.2

[sensor]
position = "air"
"""


def faults(text, parse=parse_fleet):
    with pytest.raises(FleetFileError) as caught:
        parse(text, name="some.toml")
    return [(p.path, p.line, p.message) for p in caught.value.problems]


def line_of(text, part):
    return next(number for number, line in enumerate(text.splitlines(), 1) if part in line)


def test_a_fleet_file_is_read_whole():
    fleet = parse_fleet(FLEET_TOML, name="fleet.toml")
    assert [u.id for u in fleet.units] == ["v3-meat", "v3-ice"]
    assert fleet.units[0].food.classes == ("red_meat",)
    settings = fleet.settings_of("v3-meat")
    assert settings.site is not None
    assert settings.site.timezone == "Africa/Lusaka"
    assert settings.bank is not None
    assert settings.bank.capacity_ah == 100.0


def test_dates_of_toml_are_dates():
    text = FLEET_TOML.replace("capacity_ah = 100\n", "capacity_ah = 100\ninstalled = 2025-03-01\n")
    assert parse_fleet(text, name="f").banks[0].installed == dt.date(2025, 3, 1)


def test_a_unit_file_is_read_with_one_food_class_and_an_inline_battery():
    settings = parse_unit_file(UNIT_TOML, name="unit.toml")
    assert settings.classes == ("fish",)
    assert settings.bank is not None
    assert settings.bank.capacity_ah == 100.0
    assert settings.cutout_v == 11.4
    assert "set point 3 °C" in settings.assumed


def test_only_id_and_kind_are_required():
    settings = parse_unit_file('[unit]\nid = "abc"\nkind = "freezer"\n', name="unit.toml")
    assert settings.set_point_c == -18.0
    assert settings.bank is None
    assert faults("[unit]\n", parse_unit_file) == [
        ("unit.id", 1, "is required"),
        ("unit.kind", 1, "is required"),
    ]


def test_a_unit_file_names_what_it_cannot_describe_as_assumed():
    text = '[unit]\nid = "abc"\nkind = "fridge"\nsite = "camp-1"\n[supply]\nbank = "house"\n'
    assumed = parse_unit_file(text, name="u").assumed
    assert "site camp-1 is not described in a unit file: UTC" in assumed
    assert "bank house is not described in a unit file: capacity unknown" in assumed


def test_a_fleet_file_given_as_a_unit_file_is_told_apart():
    assert any("a fleet file" in message for _, _, message in faults(FLEET_TOML, parse_unit_file))
    assert faults("", parse_unit_file) == [("unit", None, "the table [unit] is missing")]


@pytest.mark.parametrize(
    ("old", "new", "path", "words"),
    [
        ("nominal_v = 12", "nominal_v = 13", 'bank["v3-aux"].nominal_v', "must be 12 or 24"),
        ("nominal_v = 12", 'nominal_v = "12"', 'bank["v3-aux"].nominal_v', "must be 12 or 24"),
        ("capacity_ah = 100", 'capacity_ah = "100"', 'bank["v3-aux"].capacity_ah', "must be a valid number"),
        ("capacity_ah = 100", "capacity_ah = nan", 'bank["v3-aux"].capacity_ah', "finite"),
        ("capacity_ah = 100", "capacity_ah = 0", 'bank["v3-aux"].capacity_ah', "greater than 0"),
        ("set_point_c = 2.0", "set_point = 2.0", 'unit["v3-meat"].set_point', "unknown key"),
        ("cutout_v = 11.4", "cut_out = 11.4", 'unit["v3-meat"].supply.cut_out', "unknown key"),
        (
            'classes = ["red_meat"]',
            'classes = ["meat"]',
            'unit["v3-meat"].food.classes[0]',
            "must be 'frozen_fish'",
        ),
        ('classes = ["red_meat"]', 'class = "meat"', 'unit["v3-meat"].food.class', "must be 'frozen_fish'"),
        ('bank = "v3-aux"', 'bank = "v9-aux"', 'unit["v3-meat"].supply.bank', "there is no bank 'v9-aux'"),
        ('timezone = "Africa/Lusaka"', 'timezone = "Mars"', 'site["vehicle-3"].timezone', "IANA"),
        ('role = "cook"', 'role = "chief"', 'person["Asha"].role', "must be 'manager'"),
        ('id = "v3-ice"', 'id = "v3-meat"', 'unit["v3-meat"].id', "stands already in line 15"),
        ("interval_s = 60", "interval_s = true", 'unit["v3-meat"].interval_s', "valid integer"),
    ],
)
def test_a_fault_is_named_with_key_path_and_line(old, new, path, words):
    text = FLEET_TOML.replace(old, new, 1)
    found = faults(text)
    assert len(found) == 1
    assert found[0][0] == path
    assert found[0][1] == line_of(FLEET_TOML, old)
    assert words in found[0][2]


def test_every_fault_is_listed_at_once_and_in_order_of_lines():
    text = FLEET_TOML.replace("nominal_v = 12", "nominal_v = 13").replace('role = "cook"', 'role = "x"')
    text = text.replace("interval_s = 60", "interval_s = 60\nstate = 3\nshelf = 1")
    found = faults(text)
    assert [path for path, _, _ in found] == [
        'bank["v3-aux"].nominal_v',
        'unit["v3-meat"].state',
        'unit["v3-meat"].shelf',
        'person["Asha"].role',
    ]
    assert [line for _, line, _ in found] == sorted(line for _, line, _ in found)


def test_the_message_names_file_line_and_key_on_each_line():
    text = FLEET_TOML.replace("nominal_v = 12", "nominal_v = 13").replace('role = "cook"', 'role = "x"')
    with pytest.raises(ConfigurationError) as caught:
        parse_fleet(text, name="fleet.toml")
    lines = str(caught.value).splitlines()
    assert lines[0] == 'fleet.toml, line 11, bank["v3-aux"].nominal_v: must be 12 or 24'
    assert len(lines) == 2
    assert caught.value.line == 11


@pytest.mark.parametrize(
    ("text", "line"),
    [("a = 1\nb = \n", 2), ('a = "open\n', 1), ("[[unit]]\nid = 'abc'\nid = 'abd'\n", 3), ("x = [", 1)],
)
def test_what_is_not_toml_is_said_with_its_line(text, line):
    found = faults(text)
    assert found[0][1] == line
    assert found[0][2].startswith("not TOML")


@pytest.mark.parametrize(
    "text", ["unit = 3", "[unit]\nid = 'abc'", "[[unit]]\nfood = 3\nid='abc'\nkind='fridge'"]
)
def test_tables_of_the_wrong_shape_are_refused_and_never_a_crash(text):
    assert faults(text)


def test_lines_are_found_behind_text_that_looks_like_keys():
    text = '''[[unit]]
id = "abc"
name = """
kind = "x"
[food]
"""
kind = "fridge"
[unit.food]
classes = [
  "fish", # kind = "y"
  "goat",
]
'''
    assert [(path, line) for path, line, _ in faults(text)] == [('unit["abc"].food.classes[1]', 9)]


def test_restart_below_cutout_and_two_batteries_are_refused():
    text = UNIT_TOML.replace("restart_v = 12.5", 'restart_v = 11.0\nbank = "other"')
    assert [(path, line) for path, line, _ in faults(text, parse_unit_file)] == [
        ("supply.chemistry", 10),
        ("supply.restart_v", 14),
    ]


OWN_TOML = """\
[[house_rules]]
name = "camp-own"
base = "made-up"
hold_min = 90
said_by = "Asha"
[house_rules.limits_c]
poultry = 3.0
[[template]]
what = "Chicken pieces"
class = "poultry"
piece_kg = 0.3
days = 3
"""


def test_own_rules_and_templates_are_read():
    fleet = parse_fleet(OWN_TOML, name="fleet.toml")
    (house,), (template,) = fleet.house_rules, fleet.templates
    assert (house.name, house.limits_c, house.hold_min) == ("camp-own", {"poultry": 3.0}, 90)
    assert (template.what, template.food_class, template.days) == ("Chicken pieces", "poultry", 3)


def test_what_is_wrong_with_own_rules_is_said_with_key_and_line():
    def faults_of(house):
        yield ("base",), f"no rule set named {house.base!r}"
        yield ("limits_c", "poultry"), "looser than something published"

    found = faults(OWN_TOML, lambda text, name: parse_fleet(text, name=name, house_faults=faults_of))
    assert found == [
        ('house_rules["camp-own"].base', 3, "no rule set named 'made-up'"),
        ('house_rules["camp-own"].limits_c.poultry', 7, "looser than something published"),
    ]


def test_two_own_rules_or_templates_of_one_name_are_refused():
    assert [path for path, _, _ in faults(OWN_TOML + OWN_TOML)] == [
        'house_rules["camp-own"].name',
        'template["Chicken pieces"].what',
    ]


def test_a_unit_file_may_hold_own_rules():
    text = UNIT_TOML.replace('class = "fish"', 'class = "fish"\nrules = ["camp-own"]')
    own = OWN_TOML[: OWN_TOML.index("[[template]]")]
    settings = parse_unit_file(text + own, name="unit.toml")
    assert [house.name for house in settings.house_rules] == ["camp-own"]
    assert faults(text + OWN_TOML, parse_unit_file)[0][0].startswith("template")
