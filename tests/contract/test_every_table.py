"""No table is left out: names are taken out, rows end with their time or say why not, all is handed out."""

import json
import sqlite3

import pytest
from sqlalchemy import Boolean, Float, Text, insert, select

from services.domain import NoticeChange, NoticeSaid, OnCallSaid, WaySaid
from services.records import retention, wholly
from services.records.auditchain import JSON_COLUMNS
from services.records.chaining import CHAINED, add_links
from services.records.namesearch import REMOVED_ADDRESS
from services.records.tables import Table
from services.timebase import DAY_MS
from tests.helpers.larder import NOW_MS, fleet, open_bare_records
from tests.helpers.notices import silence

NAME = "Zoë Quagga"
ADDRESS = "zoe@camp.example"
OTHERS = "office@camp.example"
MANAGER = "Thandi M."
OLD_MS = NOW_MS - 1_000 * DAY_MS
LIMIT_MS = NOW_MS - 731 * DAY_MS
CHAIN = frozenset({"audit_chain", "audit_salts", "audit_taken_out"})
STAYS = {
    "accounts": "whoever signed; emptied when somebody is forgotten",
    "audit_chain": "links stay when their records go",
    "audit_salts": "go with their records",
    "audit_taken_out": "prove deletions and name nobody",
    "codes": "go when they end",
    "counters": "one row each",
    "health_middles": "written anew",
    "health_state": "one row a unit",
    "notice_waits": "one row",
    "power_learned": "goes after 45 days",
    "reach_links": "go a week after they ended",
    "refusals": "go after a day",
    "sessions": "go when they end",
    "tokens": "one row a machine",
    "unit_analysis": "one row a unit",
    "unit_state": "one row a unit",
    "ways": "as they are now",
}
"""Tables from which the time of records takes nothing, and why."""
SECRET = frozenset({"password", "pin", "secret", "token"})
"""What columns that open a door are called; of tables that open one the key is a digest."""
SENSE = {
    "dated": {"kind": "person", "key": NAME, "value": json.dumps({"name": NAME, "role": "cook"})},
    "accounts": {"sites": None},
}
"""What is read while somebody is forgotten must be what it is."""
TABLES = sorted(Table.metadata.tables)


@pytest.fixture
def records(tmp_path):
    opened = open_bare_records(tmp_path)
    yield opened
    opened.close()


def made_up(table, number, text):
    """Return a row of any table with a text wherever one may stand."""
    row = {}
    for column in table.columns:
        if isinstance(column.type, Text):
            row[column.key] = f"{column.key} {number}" if column.primary_key else text(column.key)
        elif isinstance(column.type, Boolean):
            row[column.key] = False
        else:
            row[column.key] = float(number) if isinstance(column.type, Float) else 900 + number
    return row


def words(column):
    return json.dumps({"note": f"{NAME} was here"}) if column in JSON_COLUMNS else f"{NAME} was here"


def as_json(_column):
    return json.dumps({"said": [{"who": NAME}], "note": f"told {NAME}"})


def put_everywhere(records, kinds):
    """Write the name into every table there is, behind the back of everything."""
    chained = {row.__tablename__ for row in CHAINED}
    with records._database.writing() as session:
        for name in TABLES:
            if name in CHAIN:
                continue
            table = Table.metadata.tables[name]
            for number, text in enumerate(kinds, start=1):
                row = made_up(table, number, text)
                row |= SENSE.get(name, {}) | ({"key": f"somebody {number}"} if name == "accounts" else {})
                session.execute(insert(table).values(row))
                if name in chained:
                    add_links(session.connection(), [(table, row)])


def held(records):
    """Return where the name still stands: table, column."""
    found = set()
    with records._database.reading() as session:
        for name, table in Table.metadata.tables.items():
            for row in session.execute(select(table)).mappings():
                for column, value in row.items():
                    if isinstance(value, str) and ("Quagga" in value or "Zo\\u00eb" in value):
                        found.add((name, column))
    return found


def test_a_name_is_taken_out_of_every_table_there_is(records):
    put_everywhere(records, (words, as_json))
    before = {name for name, _ in held(records)}
    assert before >= {row.__tablename__ for row in CHAINED} | {"accounts", "notices", "ways", "unit_state"}
    gone = records.forget_person(NAME, who=MANAGER, now_ms=NOW_MS)
    assert held(records) == set()
    assert gone.records >= 2 * len(CHAINED)
    assert records.verify_chain().faults == []


def test_the_addresses_of_a_person_go_with_the_name_and_those_of_others_stay(records):
    records.add_person(fleet().people[0].model_copy(update={"name": NAME}), now_ms=NOW_MS)
    for person, address in ((NAME, ADDRESS), (MANAGER, OTHERS)):
        said = WaySaid(who=MANAGER, person=person, kind="mail", target=address)
        records.say_way(said, now_ms=NOW_MS)
    records.note_event("logins_refused", "mail", {"why": f"{ADDRESS} was refused"}, who="web", now_ms=NOW_MS)
    gone = records.forget_person(NAME, who=MANAGER, now_ms=NOW_MS)
    assert gone.addresses == 1
    assert [(way.person, way.target) for way in records.ways()] == [(MANAGER, OTHERS)]
    assert (
        records.operator_events(kinds=("logins_refused",))[0].body["why"] == f"{REMOVED_ADDRESS} was refused"
    )
    assert records.verify_chain().faults == []


def test_nothing_of_name_or_address_is_left_in_the_file(tmp_path):
    records = open_bare_records(tmp_path)
    records.add_person(fleet().people[0].model_copy(update={"name": NAME}), now_ms=NOW_MS)
    records.say_way(WaySaid(who=NAME, person=NAME, kind="mail", target=ADDRESS), now_ms=NOW_MS)
    records.write_notices([NoticeChange("raised", silence().cause_key, silence())], [], now_ms=NOW_MS)
    records.say_of_notice(
        1, NoticeSaid(person=NAME, kind="acknowledged", reason=f"{NAME} goes"), now_ms=NOW_MS
    )
    records.forget_person(NAME, who=MANAGER, now_ms=NOW_MS)
    (line,) = [line for line in records.notice(1, now_ms=NOW_MS).lines if line.who]
    assert (line.who, line.why) == ("Removed person 1", "Removed person 1 goes")
    assert records.notice(1, now_ms=NOW_MS).taken_by == "Removed person 1"
    records.tidy()
    records.close()
    left = b"".join(path.read_bytes() for path in tmp_path.iterdir())
    assert [word for word in (b"Quagga", b"zoe@camp") if word in left] == []


def test_every_table_ends_with_its_time_or_says_why_not():
    hanging = {other for rows in retention._HANGING.values() for other, _ in rows}
    ends = {*retention._QUERIES, *hanging, *(name for name, _ in retention._PLAIN)}
    assert ends & set(STAYS) == set()
    assert set(TABLES) - ends - set(STAYS) == set(), "say when rows of it go, or here why they stay"


def test_every_table_is_handed_out_but_for_what_opens_the_door(records):
    with records._database.reading() as session:
        out = {table.name: table.columns for table in wholly.whole(session).tables}
    assert set(TABLES) - set(out) == wholly._NOT_HANDED_OUT
    for name, columns in out.items():
        assert not SECRET & set(columns), name
        keys = [column.key for column in Table.metadata.tables[name].primary_key.columns]
        assert keys != ["digest"], f"{name}: whoever has the digest of a secret can look for it"


def test_what_is_only_ever_added_to_is_chained():
    added = {
        row.class_.__tablename__
        for row in Table.registry.mappers
        if any(
            words in (row.class_.__doc__ or "")
            for words in ("only ever added", "never removed", "never changed")
        )
    }
    assert added - CHAIN - {row.__tablename__ for row in CHAINED} == set()


def test_notices_over_for_long_go_whole_and_those_that_stand_stay(records):
    for number, unit in enumerate(("camp-milk", "camp-fish", "v3-veg", "v3-meat")):
        told = silence(cause_key=f"unit:{unit}:silence", unit=unit, units=(unit,))
        records.write_notices([NoticeChange("raised", told.cause_key, told)], [], now_ms=OLD_MS + number)
        records.say_of_notice(number + 1, NoticeSaid(person=MANAGER, kind="acknowledged"), now_ms=OLD_MS + 10)
    for unit in ("camp-milk", "v3-veg", "v3-meat"):
        change = NoticeChange("returned", f"unit:{unit}:silence")
        late = OLD_MS if unit != "v3-meat" else NOW_MS - DAY_MS
        records.write_notices([change], [], now_ms=late + 20)
    ended = [records.notice(number, now_ms=NOW_MS).ended is not None for number in (1, 2, 3, 4)]
    assert ended == [True, False, True, True]
    links = records.chain_head()[0]
    assert records.expire(LIMIT_MS, now_ms=NOW_MS, most=100) == 2
    assert [records.notice(number, now_ms=NOW_MS) is not None for number in (1, 2, 3, 4)] == [
        False, True, False, True,
    ]  # fmt: skip
    found = records.verify_chain()
    assert (found.faults, found.expired) == ([], 6)
    assert found.links == links + 1, "that they went is told in the chain"
    assert len(records.notice(2, now_ms=NOW_MS).lines) == 2


def test_who_is_on_call_stays_however_old(records):
    for day in range(3):
        said = OnCallSaid(who=MANAGER, site="river-camp", steps=(), watch=None)
        records.say_on_call(said, now_ms=OLD_MS + day * DAY_MS)
    records.say_on_call(OnCallSaid(who=MANAGER, site="vehicle-3", steps=(), watch=None), now_ms=NOW_MS)
    assert records.expire(LIMIT_MS, now_ms=NOW_MS, most=100) == 2
    assert records.on_calls()["river-camp"].said_ms == OLD_MS + 2 * DAY_MS


def test_the_file_of_records_has_the_tables_that_are_walked_here(records, tmp_path):
    records.close()
    connection = sqlite3.connect(tmp_path / "records.db")
    rows = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
    connection.close()
    assert {name for (name,) in rows} - {"alembic_version"} == set(TABLES)
