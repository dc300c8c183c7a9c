"""What goes with its time, and what stays because it is in force or something kept needs it."""

import pytest

from services.domain import BatchNew, DepartureSaid, JobClosed, JobOpened, Verdict
from services.records.facade import Records
from services.timebase import DAY_MS, datetime_of
from tests.helpers.larder import NOW_MS, analysis, card, fleet

OLD_MS = NOW_MS - 1_000 * DAY_MS
LIMIT_MS = NOW_MS - 731 * DAY_MS
COOK, MANAGER = "Jonas K.", "Thandi M."


@pytest.fixture
def records(tmp_path):
    opened = Records(tmp_path / "records.db")
    opened.apply_fleet(fleet(), who="operator", now_ms=OLD_MS - DAY_MS)
    yield opened
    assert opened.verify_chain().faults == []
    opened.close()


def let_go(records, most=100):
    gone = 0
    for _ in range(20):
        went = records.expire(LIMIT_MS, now_ms=NOW_MS, most=most)
        gone += went
        if not went:
            break
    return gone


def test_old_notes_go_and_the_newest_of_a_kind_stays(records):
    for day in range(5):
        records.say_note("v3-meat", who=COOK, note=f"note {day}", now_ms=OLD_MS + day * DAY_MS)
    records.say_note("v3-veg", who=COOK, note="of late", now_ms=NOW_MS)
    assert let_go(records, most=3) == 4
    assert [said.body["note"] for said in records.statements("v3-meat")] == ["note 4"]
    assert [said.body["note"] for said in records.statements("v3-veg")] == ["of late"]
    found = records.verify_chain()
    assert (found.expired, found.faults) == (4, [])


def test_nothing_is_written_where_nothing_is_old(records):
    records.say_note("v3-meat", who=COOK, note="of late", now_ms=NOW_MS)
    head = records.chain_head()
    assert let_go(records) == 0
    assert records.chain_head() == head


def test_what_a_unit_is_used_for_and_its_checks_stay_however_old(records):
    records.say_unit_state("v3-veg", "bench", COOK, OLD_MS)
    records.say_emptied("v3-meat", who=COOK, now_ms=OLD_MS)
    for day in range(3):
        records.say_note("v3-meat", who=COOK, note="x", now_ms=OLD_MS + day * DAY_MS)
    let_go(records)
    assert next(unit for unit in records.fleet().units if unit.id == "v3-veg").state == "bench"
    assert records.clock_from_ms("v3-meat") == OLD_MS


def test_a_batch_goes_whole_and_one_that_still_lies_there_stays(records):
    numbers = [
        records.load_batch(
            BatchNew(unit="v3-meat", what=what, food_class="red_meat"), who=COOK, now_ms=OLD_MS
        )
        for what in ("Goat", "Kudu", "Beef")
    ]
    for number in (numbers[0], numbers[2]):
        records.say_of_batch(number, "served", who=COOK, now_ms=OLD_MS + DAY_MS)
    later = records.load_batch(
        BatchNew(unit="v3-meat", what="Lamb", food_class="red_meat"), who=COOK, now_ms=NOW_MS
    )
    assert let_go(records) > 0
    left = [number for number in (*numbers, later) if records.batch_card(number) is not None]
    assert left == [numbers[1], later]


def test_the_description_in_force_stays_and_those_before_it_go(records):
    units = {unit.id: unit for unit in fleet().units}
    for number in range(3):
        changed = units["v3-meat"].model_copy(update={"name": f"Chest {number}"})
        described = fleet().model_copy(update={"units": tuple({**units, "v3-meat": changed}.values())})
        records.apply_fleet(described, who="operator", now_ms=OLD_MS + number * DAY_MS)
    without = described.model_copy(
        update={"units": tuple(unit for unit in described.units if unit.id != "camp-new")}
    )
    records.apply_fleet(without, who="operator", now_ms=OLD_MS + 4 * DAY_MS)
    records.add_person(fleet().people[0], now_ms=NOW_MS)
    before, then = records.fleet(NOW_MS), records.fleet(LIMIT_MS)
    assert let_go(records, most=2) == 4
    assert records.fleet(NOW_MS) == before
    assert records.fleet(LIMIT_MS) == then
    assert {unit.id: unit.name for unit in records.fleet().units}["v3-meat"] == "Chest 2"


def test_changes_of_verdict_go_but_for_the_last_of_a_unit(records):
    for day, verdict in enumerate((Verdict.OK, Verdict.WATCH, Verdict.OK)):
        for unit in ("v3-meat", "v3-veg"):
            shown = card(unit, computed=verdict, standing=verdict, as_of=OLD_MS + day * DAY_MS)
            records.write_card(shown, analysis(shown))
    assert let_go(records) == 4
    assert len(records.verdict_history("v3-meat")) == 1


def test_jobs_go_but_for_the_newest_of_their_kind(records):
    for number in range(3):
        job = records.open_job(
            JobOpened(person=MANAGER, unit="v3-meat", work="wiring", reason="x"), now_ms=OLD_MS + number
        )
        records.say_of_job(
            job, JobClosed(person=MANAGER, outcome="done", note="x"), now_ms=OLD_MS + number + 1
        )
    assert let_go(records) == 2
    assert len(records.jobs()) == 1


def test_departures_and_commands_go(records):
    for day in range(3):
        said = DepartureSaid(
            person=MANAGER, site="vehicle-3", leaves=datetime_of(OLD_MS + (day + 1) * DAY_MS)
        )
        records.say_departure(said, now_ms=OLD_MS + day * DAY_MS)
        records.queue_command("v3-meat", "status", who=MANAGER, now_ms=OLD_MS + day * DAY_MS)
    assert let_go(records) == 4


def test_what_went_is_told_in_the_chain_and_who_was_given_a_credential_stays(records):
    for kind in ("credential_issued", "logins_refused", "logins_refused", "logins_refused"):
        records.note_event(kind, "v3-meat", {}, who=MANAGER, now_ms=OLD_MS)
    let_go(records)
    kinds = [event.kind for event in records.operator_events()]
    assert kinds == ["records_expired", "records_expired", "credential_issued"]
    told = [event.body for event in records.operator_events(kinds=("records_expired",))]
    assert [body["records"] for body in told] == [1, 2]
    assert [sum(last - first + 1 for first, last in body["links"]) for body in told] == [1, 2]


def test_a_number_is_never_given_again(records):
    for day in range(3):
        records.note_event("logins_refused", "broker", {}, who="ingest", now_ms=OLD_MS + day)
    let_go(records)
    records.note_event("logins_refused", "broker", {}, who="ingest", now_ms=NOW_MS)
    assert records.verify_chain().faults == []
