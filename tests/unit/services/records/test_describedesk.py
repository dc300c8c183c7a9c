import pytest

from services.records.facade import Records
from services.timebase import HOUR_MS
from tests.helpers.larder import NOW_MS, fleet

EVER = {"start_ms": 0, "end_ms": NOW_MS + 100 * HOUR_MS}
BEGAN_MS = NOW_MS - HOUR_MS


@pytest.fixture
def records(tmp_path):
    found = Records(tmp_path / "records.db")
    found.apply_fleet(fleet(), who="operator", now_ms=BEGAN_MS)
    yield found
    found.close()


def changed(records, unit, now_ms, **changes):
    held = records.fleet()
    units = tuple(u.model_copy(update=changes) if u.id == unit else u for u in held.units)
    records.apply_fleet(held.model_copy(update={"units": units}), who="Ada B.", now_ms=now_ms)


def test_a_move_is_told_with_what_was_before_and_nothing_else_is(records):
    changed(records, "v3-veg", NOW_MS, site="river-camp")
    changed(records, "v3-veg", NOW_MS + HOUR_MS, state="off")
    newest, moved = records.descriptions_between(NOW_MS, NOW_MS + 2 * HOUR_MS, units=None, limit=10)
    assert (moved.t_ms, moved.who, moved.kind, moved.key) == (NOW_MS, "Ada B.", "unit", "v3-veg")
    assert (moved.before.site, moved.after.site) == ("vehicle-3", "river-camp")
    assert (newest.before.state, newest.after.state) == ("in_use", "off")
    assert records.descriptions_between(NOW_MS, NOW_MS + HOUR_MS, units=None, limit=10) == [moved]
    assert records.descriptions_between(**EVER, units={"v3-meat"}, limit=10)[0].t_ms == BEGAN_MS
    assert records.descriptions_between(**EVER, units=frozenset(), limit=10) == []
    assert records.descriptions_between(**EVER, units=None, limit=1) == [newest]


def test_a_cabinet_comes_and_goes(records):
    held = records.fleet()
    rest = tuple(unit for unit in held.units if unit.id != "v3-veg")
    records.apply_fleet(held.model_copy(update={"units": rest}), who="Ada B.", now_ms=NOW_MS)
    gone, came = records.descriptions_between(**EVER, units={"v3-veg"}, limit=10)
    assert (came.before, came.after.site) == (None, "vehicle-3")
    assert (gone.before.site, gone.after) == ("vehicle-3", None)


def test_what_happens_to_accounts_is_told_and_other_events_of_the_house_are_not(records):
    records.invite("Jonas K.", "cook", frozenset({"river-camp"}), who="Ada B.", now_ms=NOW_MS)
    records.note_event("credential_issued", "v3-veg", {"role": "unit"}, who="operator", now_ms=NOW_MS)
    records.note_event("broker_set_up", "broker", {}, who="operator", now_ms=NOW_MS)
    records.give_token("meter", "workshop", None, who="Ada B.", now_ms=NOW_MS + HOUR_MS)
    found = records.account_events_between(NOW_MS, NOW_MS + 2 * HOUR_MS, limit=10)
    assert [(e.kind, e.about, e.who, e.body["role"]) for e in found] == [
        ("token_given", "meter", "Ada B.", "workshop"),
        ("credential_issued", "v3-veg", "operator", "unit"),
        ("account_invited", "Jonas K.", "Ada B.", "cook"),
    ]
    assert records.account_events_between(NOW_MS, NOW_MS + HOUR_MS, limit=10) == found[1:]


def test_a_place_and_a_bank_are_told_where_no_unit_is_named(records):
    held = records.fleet()
    banks = tuple(bank.model_copy(update={"capacity_ah": 120.0}) for bank in held.banks)
    records.apply_fleet(
        held.model_copy(update={"banks": banks}),
        who="Ada B.",
        why="new battery",
        now_ms=NOW_MS,
        from_ms=NOW_MS - 1,
    )
    span = {"start_ms": NOW_MS, "end_ms": NOW_MS + 1, "limit": 10}
    (line,) = records.descriptions_between(units=None, **span)
    assert (line.kind, line.key, line.why, line.t_ms, line.said_ms) == (
        *("bank", "v3-aux", "new battery"),
        *(NOW_MS - 1, NOW_MS),
    )
    assert (line.before.capacity_ah, line.after.capacity_ah) == (100, 120)
    assert records.descriptions_between(units={"v3-meat"}, **span) == []
