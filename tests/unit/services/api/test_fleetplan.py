"""One way to describe the fleet anew: planned, held against the rules, carried out whole or not at all."""

import pytest

from services.api.fleetplan import BACK_MS, carry_out, plan_of, plan_of_rows, plan_of_tables
from services.domain import BatchNew
from services.domain.complaints import FleetFileError
from services.domain.fleetfile import tables_of
from services.errors import Refused
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.larder import NOW_MS, open_larder

ADA = {"who": "Ada B.", "why": "new season", "now_ms": NOW_MS}


@pytest.fixture
def larder(tmp_path):
    found = open_larder(tmp_path)
    yield found
    found.close()


@pytest.fixture
def records(larder):
    return larder.records


def described(records, unit="v3-veg", **changes):
    """Return the fleet with one unit described otherwise."""
    held = records.described().fleet
    units = tuple(u.model_copy(update=changes) if u.id == unit else u for u in held.units)
    return held.model_copy(update={"units": units})


def without(records, unit):
    held = records.described().fleet
    return held.model_copy(update={"units": tuple(u for u in held.units if u.id != unit)})


def changed(records):
    return records.descriptions_between(NOW_MS, NOW_MS + 1, units=None, limit=50)


def test_a_change_is_written_with_who_when_why_and_from_when_and_the_chain_holds(records):
    plan = plan_of(records, described(records, site="river-camp"))
    carry_out(records.signing("account"), plan, **ADA, from_ms=NOW_MS - HOUR_MS)
    (line,) = changed(records)
    assert (line.kind, line.key, line.who, line.why) == ("unit", "v3-veg", "Ada B.", "new season")
    assert (line.t_ms, line.said_ms, line.signed) == (NOW_MS - HOUR_MS, NOW_MS, "account")
    assert records.fleet(NOW_MS - HOUR_MS).settings_of("v3-veg").site.id == "river-camp"
    assert records.fleet(NOW_MS - HOUR_MS - 1).settings_of("v3-veg").site.id == "vehicle-3"
    assert records.verify_chain().faults == []


def test_places_and_banks_stand_in_the_history_too(records):
    tables = tables_of(records.described().fleet)
    tables["site"].append({"id": "lodge-1", "name": "Lodge", "kind": "lodge"})
    tables["bank"][0]["capacity_ah"] = 120
    carry_out(records, plan_of_tables(records, tables), **ADA)
    assert {(line.kind, line.key, line.before is None) for line in changed(records)} == {
        ("site", "lodge-1", True),
        ("bank", "v3-aux", False),
    }


def test_what_nobody_gives_a_reason_for_is_refused(records):
    plan = plan_of(records, described(records, name="Salads"))
    for why in ("", "  ", "x" * 501):
        with pytest.raises(Refused, match="Say why"):
            carry_out(records, plan, who="Ada B.", why=why, now_ms=NOW_MS)
    assert changed(records) == []


def test_what_was_planned_on_an_older_description_is_refused_whole(records):
    plan = plan_of(records, described(records, name="Salads"))
    carry_out(records, plan_of(records, described(records, "v3-meat", name="Meats")), **ADA)
    with pytest.raises(Refused, match="in the meantime"):
        carry_out(records, plan, **ADA)
    names = {unit.id: unit.name for unit in records.fleet().units}
    assert (names["v3-meat"], names["v3-veg"]) == ("Meats", "Salad drawer")


@pytest.mark.parametrize(
    ("from_ms", "words"),
    [
        (NOW_MS + 1, "within the last seven days"),
        (NOW_MS - BACK_MS - 1, "within the last seven days"),
        (NOW_MS - 3 * DAY_MS, "described anew after that moment"),
    ],
)
def test_a_change_cannot_hold_from_any_moment(records, from_ms, words):
    first = plan_of(records, described(records, name="Salads"))
    carry_out(records, first, who="Ada B.", why="name", now_ms=NOW_MS - 2 * DAY_MS)
    with pytest.raises(Refused, match=words):
        carry_out(records, plan_of(records, described(records, site="river-camp")), **ADA, from_ms=from_ms)


def test_what_food_is_judged_by_is_not_changed_for_hours_that_are_over(records):
    plan = plan_of(records, described(records, set_point_c=2.0))
    with pytest.raises(Refused, match="hours that are over"):
        carry_out(records, plan, **ADA, from_ms=NOW_MS - HOUR_MS)
    carry_out(records, plan, **ADA)
    assert records.fleet().settings_of("v3-veg").set_point_c == 2.0


def test_a_unit_with_food_or_a_hold_is_not_taken_off_the_list(records):
    (hold,) = plan_of(records, without(records, "v3-meat")).refused
    assert "on hold" in hold.remark.text
    new = BatchNew(what="Trout", food_class="fish", unit="v3-veg")
    records.load_batch(new, who="Jonas K.", now_ms=NOW_MS)
    plan = plan_of(records, without(records, "v3-veg"))
    with pytest.raises(Refused, match="holds food"):
        carry_out(records, plan, **ADA)
    carry_out(records, plan_of(records, without(records, "camp-new")), **ADA)
    assert "camp-new" not in records.known_units()


def test_a_set_point_too_warm_for_its_rules_is_refused_as_in_a_file(records):
    plan = plan_of(records, described(records, "v3-meat", set_point_c=9.0))
    assert ["above the limit" in about.remark.text for about in plan.refused] == [True]
    assert plan_of(records, described(records, "v3-meat", name="Meats")).refused == ()


def test_a_place_in_which_something_stands_is_not_taken_off(records):
    tables = tables_of(records.described().fleet)
    tables["site"] = [row for row in tables["site"] if row["id"] != "river-camp"]
    with pytest.raises(FleetFileError) as caught:
        plan_of_tables(records, tables)
    assert {problem.message for problem in caught.value.problems} == {"there is no site 'river-camp'"}


def test_what_people_said_of_a_units_use_outlasts_other_changes(records):
    records.say_unit_state("v3-veg", "off", "Jonas K.", NOW_MS - 10)
    carry_out(records, plan_of(records, described(records, "camp-milk", name="Milk")), **ADA)
    assert [line.key for line in changed(records)] == ["camp-milk"]
    assert {unit.id: unit.state for unit in records.fleet().units}["v3-veg"] == "off"


def test_rows_are_all_or_nothing(records):
    head = b"record,id,name,kind,site,food.rules,supply.bank\n"
    wrong = plan_of_rows(
        records,
        head + b"unit,v9-a,A,fridge,river-camp,,\nunit,v9-b,B,fridge,nowhere,,no\nsite,s-1,,camp,,,\n",
    )
    assert wrong.plan is None
    assert [(fault.line, fault.column, fault.message) for fault in wrong.faults] == [
        (3, "site", "there is no site 'nowhere'"),
        (3, "supply.bank", "must be 3 to 32 signs, of a-z, 0-9 and -"),
        (3, "supply.bank", "there is no bank 'no'"),
        (4, "name", "is required"),
    ]
    rule = plan_of_rows(records, head + b"unit,v9-a,A,fridge,river-camp,my-own,\n")
    assert rule.plan is None
    assert [(fault.line, "no rule named 'my-own'" in fault.message) for fault in rule.faults] == [(2, True)]
    right = plan_of_rows(records, head + b"unit,v9-a,A,fridge,river-camp,,\nunit,v3-veg,Salads,,,,\n")
    assert [(c.key, c.before is None) for c in right.plan.changes] == [("v3-veg", False), ("v9-a", True)]
    assert right.plan.changes[0].cells() == (("name", "Salad drawer", "Salads"),)
    carry_out(records, right.plan, **ADA)
    assert {line.key for line in changed(records)} == {"v3-veg", "v9-a"}
    assert plan_of_rows(records, head + b"unit,v9-a,A,fridge,,,\n").plan.changes == ()
