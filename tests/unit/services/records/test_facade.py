"""The door to the records, on a real SQLite file."""

import math
import multiprocessing
import threading

import pytest

from services.domain import Fleet, Person, Verdict
from services.errors import Refused
from services.records.facade import Records
from services.records.fleetbook import fleet_version
from services.records.said import Result
from tests.helpers import made
from tests.helpers.made import NOON_MS

MINUTE = 60_000


@pytest.fixture
def records(tmp_path):
    opened = Records(tmp_path / "records.db")
    opened.apply_fleet(made.fleet(), who="operator", now_ms=NOON_MS)
    yield opened
    opened.close()


def put(records, verdict, *, computed=None, as_of_ms=NOON_MS):
    computed = verdict if computed is None else computed
    card = made.card(computed=computed, standing=verdict, as_of_ms=as_of_ms)
    records.write_card(card, made.analysis(verdict=computed, as_of_ms=as_of_ms))


def sign(records, **changes):
    words = {
        "who": "Asha",
        "probe_c": 3.2,
        "disposition": "kept",
        "reason": "core still cold",
        "now_ms": NOON_MS,
    }
    records.release_hold("v3-meat", **{**words, **changes})


def test_what_was_applied_is_read_back(records):
    assert records.fleet() == made.fleet()
    assert records.known_units() == {"v3-meat", "v3-ice"}
    assert [p.name for p in records.people()] == ["Asha"]


def test_a_change_is_a_dated_row_and_the_past_stays_readable(records):
    old = made.fleet()
    warmer = old.units[0].model_copy(update={"set_point_c": 3.0})
    records.apply_fleet(
        old.model_copy(update={"units": (warmer,)}), who="operator", now_ms=NOON_MS + 5 * MINUTE
    )
    assert records.known_units() == {"v3-meat"}
    assert records.fleet(at_ms=NOON_MS).units == old.units
    assert records.fleet(at_ms=NOON_MS + 5 * MINUTE).units == (warmer,)
    assert records.fleet(at_ms=NOON_MS - 1) == Fleet()


def test_applying_the_same_file_twice_adds_nothing(records):
    def rows():
        with records._database.reading() as session:
            return fleet_version(session)

    before = rows()
    records.apply_fleet(made.fleet(), who="operator", now_ms=NOON_MS + MINUTE)
    assert rows() == before


def test_a_file_without_people_does_not_silence_those_added_by_name(records):
    records.add_person(Person(name="Joseph", role="manager"), now_ms=NOON_MS)
    records.apply_fleet(made.fleet().model_copy(update={"people": ()}), who="operator", now_ms=NOON_MS)
    assert {p.name for p in records.people()} == {"Asha", "Joseph"}
    records.remove_person("Joseph", now_ms=NOON_MS)
    assert {p.name for p in records.people()} == {"Asha"}


def test_what_a_person_says_of_a_unit_outlives_an_unchanged_file(records):
    records.say_unit_state("v3-meat", "empty", "Asha", NOON_MS)
    assert records.fleet().units[0].state == "empty"
    renamed = made.fleet().units[0].model_copy(update={"name": "Other name"})
    records.apply_fleet(
        made.fleet().model_copy(update={"units": (renamed,)}), who="operator", now_ms=NOON_MS + MINUTE
    )
    assert records.fleet().units[0].state == "empty"
    assert records.fleet().units[0].name == "Other name"
    benched = renamed.model_copy(update={"state": "bench"})
    records.apply_fleet(
        made.fleet().model_copy(update={"units": (benched,)}), who="operator", now_ms=NOON_MS + 2 * MINUTE
    )
    assert records.fleet().units[0].state == "bench"
    assert records.fleet(at_ms=NOON_MS + MINUTE).units[0].state == "empty"


def test_emptying_ends_the_clock_and_other_states_do_not(records):
    records.say_unit_state("v3-meat", "off", "Asha", NOON_MS)
    assert records.clock_from_ms("v3-meat") is None
    records.say_unit_state("v3-meat", "empty", "Asha", NOON_MS + MINUTE)
    records.say_unit_state("v3-meat", "in_use", "Asha", NOON_MS + 2 * MINUTE)
    assert records.clock_from_ms("v3-meat") == NOON_MS + MINUTE
    records.say_emptied("v3-meat", who="Asha", now_ms=NOON_MS + 3 * MINUTE)
    assert records.clock_from_ms("v3-meat") == NOON_MS + 3 * MINUTE
    assert records.clock_from_ms("v3-ice") is None


def test_remarks_and_probe_readings_are_kept_with_name_and_time_and_lower_nothing(records):
    put(records, Verdict.HOLD)
    records.say_probe("v3-meat", who="Asha", probe_c=3.4, note=" core ", now_ms=NOON_MS)
    records.say_note("v3-meat", who="Asha", note="lid was open", now_ms=NOON_MS + 1)
    records.say_emptied("v3-meat", who="Asha", now_ms=NOON_MS + 2)
    assert [(s.kind, s.t_ms) for s in records.statements("v3-meat")] == [
        ("emptied", NOON_MS + 2),
        ("note", NOON_MS + 1),
        ("probe", NOON_MS),
    ]
    assert records.statements("v3-meat")[2].body == {"probe_c": 3.4, "note": "core"}
    assert [s.kind for s in records.statements_after(1)] == ["note", "emptied"]
    assert records.card("v3-meat").standing is Verdict.HOLD


def test_nothing_is_taken_from_strangers_or_about_units_nobody_described(records):
    for say in (
        lambda: records.say_note("v3-meat", who="A stranger", note="x", now_ms=NOON_MS),
        lambda: records.say_emptied("v9-none", who="Asha", now_ms=NOON_MS),
        lambda: records.say_probe("v3-meat", who="Asha", probe_c=math.nan, now_ms=NOON_MS),
        lambda: records.say_unit_state("v9-none", "empty", "Asha", NOON_MS),
        lambda: records.queue_command("v3-meat", "status", who="A stranger", now_ms=NOON_MS),
    ):
        with pytest.raises(Refused):
            say()
    assert records.statements_after(0) == []
    assert records.commands_after(0) == []


@pytest.mark.parametrize(
    "changes",
    [
        {"who": "A stranger"},
        {"who": ""},
        {"probe_c": math.nan},
        {"probe_c": math.inf},
        {"probe_c": 500.0},
        {"disposition": "eaten"},
        {"reason": "  "},
    ],
    ids=str,
)
def test_a_hold_closed_without_name_probe_disposition_or_reason_is_refused(records, changes):
    put(records, Verdict.HOLD)
    with pytest.raises(Refused):
        sign(records, **changes)
    assert records.card("v3-meat").standing is Verdict.HOLD
    assert records.statements("v3-meat") == []


@pytest.mark.parametrize("disposition", ["kept", "cooked_at_once", "refrozen", "moved"])
def test_after_discard_advised_the_food_can_only_be_discarded(records, disposition):
    put(records, Verdict.DISCARD_ADVISED)
    with pytest.raises(Refused, match="only be discarded"):
        sign(records, disposition=disposition)
    assert records.card("v3-meat").standing is Verdict.DISCARD_ADVISED
    sign(records, disposition="discarded", now_ms=NOON_MS + MINUTE)
    assert records.card("v3-meat").standing is Verdict.WATCH
    assert records.clock_from_ms("v3-meat") == NOON_MS + MINUTE


def test_nothing_can_be_released_where_no_hold_stands(records):
    with pytest.raises(Refused):
        sign(records)
    put(records, Verdict.WATCH)
    with pytest.raises(Refused):
        sign(records)


def test_a_release_lowers_the_standing_verdict_to_what_was_computed(records):
    put(records, Verdict.HOLD, computed=Verdict.OK)
    sign(records)
    card = records.card("v3-meat")
    assert card.standing is Verdict.OK
    assert card.standing_why == "hold closed by Asha: kept; core still cold"
    said = records.statements("v3-meat")[0]
    assert (said.kind, said.who, said.t_ms) == ("release", "Asha", NOON_MS)
    assert said.body["probe_c"] == 3.2
    assert said.body["standing"] == "hold"
    assert records.context("v3-meat").release.t_ms == NOON_MS
    assert records.clock_from_ms("v3-meat") is None
    change = records.verdict_history("v3-meat")[0]
    assert (change.origin, change.standing_before, change.standing) == ("person", Verdict.HOLD, Verdict.OK)


@pytest.mark.parametrize(("disposition", "ends"), [("moved", True), ("discarded", True), ("kept", False)])
def test_the_clock_ends_only_when_the_food_is_gone(records, disposition, ends):
    put(records, Verdict.HOLD)
    sign(records, disposition=disposition)
    assert (records.clock_from_ms("v3-meat") is not None) is ends


def test_an_assessment_begun_before_a_sign_off_is_not_kept(records):
    put(records, Verdict.HOLD, computed=Verdict.OK)
    begun = records.context("v3-meat").statement_no
    sign(records)
    stale = Result(made.card(standing=Verdict.HOLD), made.analysis(), begun)
    assert records.write_results([stale], now_ms=NOON_MS, position=7) == {"v3-meat"}
    assert records.card("v3-meat").standing is Verdict.OK
    assert records.monitor_position() == 0
    fresh = Result(made.card(), made.analysis(), records.context("v3-meat").statement_no)
    assert records.write_results([fresh], now_ms=NOON_MS, position=7) == frozenset()
    assert records.monitor_position() == 7


def test_cards_follow_changes_and_leave_out_units_no_longer_described(records):
    put(records, Verdict.OK)
    records.write_card(made.card("v3-ice"), made.analysis("v3-ice"))
    assert [c.unit for c in records.cards()] == ["v3-ice", "v3-meat"]
    newest = records.change_no()
    assert records.cards_changed_after(newest) == []
    put(records, Verdict.WATCH)
    assert [(no, c.unit) for no, c in records.cards_changed_after(newest)] == [(newest + 1, "v3-meat")]
    assert records.cards()[1].standing is Verdict.WATCH
    records.apply_fleet(made.fleet().model_copy(update={"units": ()}), who="operator", now_ms=NOON_MS)
    assert records.cards() == []
    assert records.card("v3-meat") is None


def test_the_analysis_is_kept_in_its_json_form(records):
    assert records.analysis("v3-meat") is None
    put(records, Verdict.OK)
    found = records.analysis("v3-meat")
    assert found["schema"] == "bushlarder/analysis/1"
    assert found == made.analysis().model_dump(mode="json", by_alias=True)


def test_only_changes_of_verdict_enter_the_history(records):
    for verdict in (Verdict.OK, Verdict.OK, Verdict.WATCH, Verdict.WATCH, Verdict.HOLD):
        put(records, verdict)
    assert [c.standing for c in records.verdict_history("v3-meat")] == [
        Verdict.HOLD,
        Verdict.WATCH,
        Verdict.OK,
    ]


def episodes_of(records, *episodes, start_ms, as_of_ms):
    exposure = made.exposure(*episodes, start_ms=start_ms)
    records.write_card(made.card(as_of_ms=as_of_ms), made.analysis(as_of_ms=as_of_ms, exposures=(exposure,)))
    return [(e.start_ms, e.end_ms) for e in records.episodes("v3-meat")]


def test_episodes_are_kept_once_grow_and_are_withdrawn_with_a_trace(records):
    day = NOON_MS - 24 * 60 * MINUTE
    first = (NOON_MS - 50 * MINUTE, NOON_MS - 10 * MINUTE)
    assert episodes_of(records, first, start_ms=day, as_of_ms=NOON_MS) == [first]
    longer = (first[0], NOON_MS)
    assert episodes_of(records, longer, start_ms=day, as_of_ms=NOON_MS) == [longer]
    earlier = (first[0] - 5 * MINUTE, NOON_MS)
    assert episodes_of(records, earlier, start_ms=day, as_of_ms=NOON_MS) == [earlier]
    withdrawn = [e for e in records.episodes("v3-meat", withdrawn=True) if e.withdrawn_ms is not None]
    assert [e.start_ms for e in withdrawn] == [first[0]]


def test_an_episode_cut_by_the_moving_start_of_the_clock_stays_one_episode(records):
    start, end = NOON_MS - 50 * MINUTE, NOON_MS - 10 * MINUTE
    episodes_of(records, (start, end), start_ms=start - MINUTE, as_of_ms=NOON_MS)
    cut = start + 7 * MINUTE
    assert episodes_of(records, (cut, end), start_ms=cut, as_of_ms=NOON_MS + 8 * MINUTE) == [(start, end)]


def test_what_was_withdrawn_does_not_come_back_as_the_rest_of_an_episode(records):
    day = NOON_MS - 24 * 60 * MINUTE
    wrong, right, end = NOON_MS - 50 * MINUTE, NOON_MS - 40 * MINUTE, NOON_MS - 10 * MINUTE
    episodes_of(records, (wrong, end), start_ms=day, as_of_ms=NOON_MS)
    assert episodes_of(records, (right, end), start_ms=day, as_of_ms=NOON_MS) == [(right, end)]
    cut = NOON_MS - 30 * MINUTE
    assert episodes_of(records, (cut, end), start_ms=cut, as_of_ms=NOON_MS) == [(right, end)]


def test_an_episode_cut_short_by_an_earlier_as_of_time_stays_as_long_as_it_was(records):
    start, end = NOON_MS - 50 * MINUTE, NOON_MS - 10 * MINUTE
    day = NOON_MS - 24 * 60 * MINUTE
    episodes_of(records, (start, end), start_ms=day, as_of_ms=NOON_MS)
    earlier = NOON_MS - 20 * MINUTE
    assert episodes_of(records, (start, earlier), start_ms=day, as_of_ms=earlier) == [(start, end)]


def test_commands_wait_in_order(records):
    first = records.queue_command("v3-meat", "status", who="Asha", now_ms=NOON_MS)
    second = records.queue_command("v3-ice", "set", {"interval_s": 30}, who="Asha", now_ms=NOON_MS)
    assert records.commands_after(0) == [first, second]
    assert records.commands_after(first.id) == [second]
    assert len(first.correlation) == 16
    assert first.correlation != second.correlation


def _writes(path, process, count):
    records = Records(path)
    for number in range(count):
        records.queue_command("v3-meat", "status", who="Asha", now_ms=number)
        records.add_person(Person(name=f"{process} {number}", role="cook"), now_ms=number)
    records.close()


def test_two_processes_write_at_once_and_lose_nothing(records, tmp_path):
    spawn = multiprocessing.get_context("spawn")
    path = tmp_path / "records.db"
    running = [spawn.Process(target=_writes, args=(path, name, 25)) for name in ("web", "monitor")]
    for process in running:
        process.start()
    for process in running:
        process.join(180)
        assert process.exitcode == 0
    assert len(records.commands_after(0)) == 50
    assert len(records.people()) == 51


def test_threads_numbering_changes_at_once_never_use_a_number_twice(records):
    def write(unit):
        for _ in range(20):
            records.write_card(made.card(unit), made.analysis(unit))

    threads = [threading.Thread(target=write, args=(unit,)) for unit in ("v3-meat", "v3-ice")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert records.change_no() == 40
