"""Own rules and templates are dated rows like everything else people describe."""

import pytest

from services.domain import BatchTemplate, HouseRules, Person
from services.records.facade import Records
from services.records.fleetbook import key_of
from tests.helpers import made
from tests.helpers.made import NOON_MS

MINUTE = 60_000
OWN = HouseRules(name="camp-own", base="za-r638-2018", limits_c={"poultry": 3.0}, hold_min=90)
CHICKEN = BatchTemplate(what="Chicken pieces", food_class="poultry", piece_kg=0.3)


@pytest.fixture
def records(tmp_path):
    opened = Records(tmp_path / "records.db")
    opened.apply_fleet(made.fleet(), who="operator", now_ms=NOON_MS)
    yield opened
    opened.close()


def test_what_a_thing_is_found_by():
    assert key_of(OWN) == "camp-own"
    assert key_of(CHICKEN) == "Chicken pieces"
    assert key_of(Person(name="Asha", role="cook")) == "Asha"
    assert key_of(made.fleet().units[0]) == made.fleet().units[0].id


def test_own_rules_count_from_the_moment_they_were_applied(records):
    fleet = made.fleet().model_copy(update={"house_rules": (OWN,), "templates": (CHICKEN,)})
    records.apply_fleet(fleet, who="operator", now_ms=NOON_MS + MINUTE)
    assert records.fleet(at_ms=NOON_MS).house_rules == ()
    assert records.fleet(at_ms=NOON_MS + MINUTE).house_rules == (OWN,)
    assert records.fleet().templates == (CHICKEN,)


def test_a_tighter_limit_later_leaves_the_earlier_one_readable(records):
    fleet = made.fleet().model_copy(update={"house_rules": (OWN,)})
    records.apply_fleet(fleet, who="operator", now_ms=NOON_MS + MINUTE)
    tighter = OWN.model_copy(update={"hold_min": 60.0})
    fleet = fleet.model_copy(update={"house_rules": (tighter,)})
    records.apply_fleet(fleet, who="operator", now_ms=NOON_MS + 2 * MINUTE)
    assert records.fleet(at_ms=NOON_MS + MINUTE).house_rules[0].hold_min == 90
    assert records.fleet().house_rules[0].hold_min == 60
    assert records.fleet_changes(NOON_MS + 1, NOON_MS + 3 * MINUTE) == (
        NOON_MS + MINUTE,
        NOON_MS + 2 * MINUTE,
    )


def test_what_the_file_no_longer_holds_is_taken_away(records):
    fleet = made.fleet().model_copy(update={"house_rules": (OWN,), "templates": (CHICKEN,)})
    records.apply_fleet(fleet, who="operator", now_ms=NOON_MS + MINUTE)
    records.apply_fleet(made.fleet(), who="operator", now_ms=NOON_MS + 2 * MINUTE)
    assert records.fleet().house_rules == ()
    assert records.fleet().templates == ()
    assert records.fleet(at_ms=NOON_MS + MINUTE).templates == (CHICKEN,)
