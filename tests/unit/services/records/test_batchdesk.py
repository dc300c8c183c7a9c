"""Batches of food at the door to the records, on a real SQLite file."""

import datetime as dt

import pytest

from services.domain import BatchNew, Verdict
from services.errors import Refused
from services.records.facade import Records
from services.records.said import BatchResult, Result
from tests.helpers import made
from tests.helpers.made import NOON_MS

MINUTE = 60_000
HOUR = 60 * MINUTE
STEW = BatchNew(what="Stew", food_class="cooked", unit="v3-meat", quantity=4.0, core_c=3.5)


@pytest.fixture
def records(tmp_path):
    opened = Records(tmp_path / "records.db")
    opened.apply_fleet(made.fleet(), who="operator", now_ms=NOON_MS)
    yield opened
    opened.close()


def load(records, new=STEW, now_ms=NOON_MS, **changes):
    return records.load_batch(new, who="Asha", now_ms=now_ms, **changes)


def say(records, batch, kind, now_ms=NOON_MS + MINUTE, happened_ms=None, **body):
    return records.say_of_batch(batch, kind, who="Asha", body=body, now_ms=now_ms, happened_ms=happened_ms)


def judge(records, batch, verdict, *, dates="none"):
    card = records.batch_card(batch)
    changed = card.model_copy(
        update={
            "computed": verdict,
            "standing": verdict,
            "standing_since": NOON_MS,
            "standing_why": "made by hand",
            "dates": dates,
        }
    )
    host = made.card(as_of_ms=NOON_MS)
    newest = max(event.id for event in records.batch_events(batch))
    result = Result(
        host,
        made.analysis(as_of_ms=NOON_MS),
        records.context("v3-meat").statement_no,
        batches=(BatchResult(changed, newest),),
    )
    assert not records.write_results([result], now_ms=NOON_MS)


def test_a_batch_is_kept_and_not_known_before_it_is_judged(records):
    number = load(records)
    (card,) = records.batch_cards()
    assert (card.batch.id, card.batch.what, card.batch.place) == (number, "Stew", "stored")
    assert (card.standing, card.batch.loaded_by, card.food_c) == (Verdict.NO_DATA, "Asha", 3.5)
    (event,) = records.batch_events(number)
    assert (event.kind, event.who, event.t, event.body["food_class"]) == ("loaded", "Asha", NOON_MS, "cooked")


def test_moving_ends_one_stay_and_begins_another(records):
    number = load(records)
    say(records, number, "moved", unit="v3-ice", now_ms=NOON_MS + HOUR)
    life = records.batch_contexts("v3-meat", since_ms=NOON_MS)[number].life
    assert [(s.unit, s.start_ms, s.end_ms) for s in life.stays] == [
        ("v3-meat", NOON_MS, NOON_MS + HOUR),
        ("v3-ice", NOON_MS + HOUR, None),
    ]
    assert records.batch_contexts("v3-meat", since_ms=NOON_MS + HOUR) == {}
    assert [card.batch.id for card in records.batches_between("v3-meat", NOON_MS, NOON_MS + 1)] == [number]
    assert records.batches_between("v3-meat", NOON_MS + HOUR, NOON_MS + 2 * HOUR) == []


def test_a_split_part_keeps_what_lies_behind_it(records):
    number = load(records)
    judge(records, number, Verdict.HOLD)
    part = say(records, number, "split", quantity=1.5, unit="v3-ice", now_ms=NOON_MS + HOUR)
    life = records.batch_contexts("v3-ice", since_ms=NOON_MS)[part].life
    assert [s.unit for s in life.stays] == ["v3-meat", "v3-ice"]
    assert (life.batch.split_from, life.batch.quantity, life.batch.loaded_at) == (number, 1.5, NOON_MS)
    assert records.batch_card(number).batch.quantity == 2.5
    assert records.batch_card(part).standing is Verdict.HOLD
    say(records, number, "discarded", now_ms=NOON_MS + 2 * HOUR)
    assert records.batch_card(part).batch.place == "stored"


def test_what_is_found_out_later_about_the_whole_holds_for_the_part(records):
    number = load(records)
    part = say(records, number, "split", now_ms=NOON_MS + HOUR)
    say(records, number, "probed", probe_c=7.0, now_ms=NOON_MS + 2 * HOUR, happened_ms=NOON_MS + MINUTE)
    say(records, number, "probed", probe_c=9.0, now_ms=NOON_MS + 3 * HOUR)
    life = records.batch_contexts("v3-meat", since_ms=NOON_MS)[part].life
    assert [core.core_c for core in life.cores] == [3.5, 7.0]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"who": "Nobody"}, "may sign"),
        ({"new": STEW.model_copy(update={"unit": "not-there"})}, "no unit"),
        ({"happened_ms": NOON_MS + 2 * MINUTE}, "future"),
        ({"happened_ms": NOON_MS - 73 * HOUR}, "72 hours"),
    ],
)
def test_loading_is_refused(records, change, words):
    asked = {"new": STEW, "who": "Asha", "now_ms": NOON_MS, **change}
    with pytest.raises(Refused, match=words):
        records.load_batch(asked.pop("new"), **asked)
    assert records.batch_cards() == []


def test_nothing_goes_into_a_unit_that_is_off_and_an_empty_one_is_in_use_again(records):
    records.say_unit_state("v3-ice", "off", "Asha", NOON_MS)
    number = load(records)
    with pytest.raises(Refused, match="switched off"):
        say(records, number, "moved", unit="v3-ice")
    records.say_unit_state("v3-ice", "empty", "Asha", NOON_MS + 1)
    say(records, number, "moved", unit="v3-ice")
    assert {u.id: u.state for u in records.fleet().units}["v3-ice"] == "in_use"


def test_food_is_served_only_while_nothing_is_against_it(records):
    number = load(records)
    judge(records, number, Verdict.HOLD)
    with pytest.raises(Refused, match="hold stands"):
        say(records, number, "served")
    judge(records, number, Verdict.DISCARD_ADVISED)
    for kind in ("served", "cooked"):
        with pytest.raises(Refused, match="only be discarded"):
            say(records, number, kind)
    with pytest.raises(Refused, match="only be discarded"):
        say(records, number, "hold_closed", probe_c=3.0, disposition="kept", reason="smells fine")
    say(records, number, "discarded")
    assert records.batch_card(number).batch.end == "discarded"
    with pytest.raises(Refused, match="gone"):
        say(records, number, "probed", probe_c=3.0)


def test_food_past_its_date_is_neither_cooked_nor_served(records):
    day = dt.datetime.fromtimestamp(NOON_MS / 1000, dt.UTC).date()
    number = load(records, STEW.model_copy(update={"use_by": day}))
    past = NOON_MS + 13 * HOUR  # 03:00 of the next day in Lusaka
    with pytest.raises(Refused, match="past its date"):
        say(records, number, "cooked", now_ms=past)
    say(records, number, "cooked", now_ms=past, happened_ms=NOON_MS + HOUR)
    assert records.batch_card(number).batch.end == "cooked"


def test_a_hold_closes_only_with_probe_disposition_and_reason(records):
    number = load(records)
    with pytest.raises(Refused, match="No hold"):
        say(records, number, "hold_closed", probe_c=3.0, disposition="kept", reason="cold")
    judge(records, number, Verdict.HOLD)
    whole = {"probe_c": 3.0, "disposition": "kept", "reason": "core cold"}
    words = {"probe_c": "probe reading", "disposition": "what became of it", "reason": "reason"}
    for missing, said in words.items():
        with pytest.raises(Refused, match=f"{said} is missing"):
            say(records, number, "hold_closed", **{k: v for k, v in whole.items() if k != missing})
    with pytest.raises(Refused, match="may sign"):
        records.say_of_batch(number, "hold_closed", who="x", body=whole, now_ms=NOON_MS)
    say(records, number, "hold_closed", **whole)
    card = records.batch_card(number)
    assert card.standing is Verdict.WATCH
    assert card.standing_why == "hold closed by Asha: kept; core cold"
    life = records.batch_contexts("v3-meat", since_ms=NOON_MS)[number].life
    assert (life.closed.standing, life.closed.probe_c) == ("hold", 3.0)


def test_a_result_overtaken_by_words_is_not_kept(records):
    number = load(records)
    judge(records, number, Verdict.OK)
    card = records.batch_card(number)
    say(records, number, "probed", probe_c=9.0)
    stale = BatchResult(card, event_no=1)
    result = Result(made.card(), made.analysis(), records.context("v3-meat").statement_no, batches=(stale,))
    records.write_results([result], now_ms=NOON_MS)
    assert len(records.batch_card(number).batch.model_dump()) > 0
    assert records.batch_card(number).as_of == card.as_of


def test_a_correction_adds_a_line_and_the_old_value_stays(records):
    number = load(records)
    event = say(records, number, "probed", probe_c=35.0)
    say(records, number, "corrected", event=event, probe_c=3.5, now_ms=NOON_MS + HOUR)
    say(records, number, "corrected", use_by="2026-06-05", what="Beef stew", now_ms=NOON_MS + HOUR)
    assert [e.body.get("probe_c") for e in records.batch_events(number)] == [None, 35.0, 3.5, None]
    life = records.batch_contexts("v3-meat", since_ms=NOON_MS)[number].life
    assert [core.core_c for core in life.cores] == [3.5, 3.5]
    assert (life.batch.what, life.batch.use_by) == ("Beef stew", dt.date(2026, 6, 5))
    with pytest.raises(Refused, match="number"):
        say(records, number, "corrected", event=99, withdrawn=True)
    with pytest.raises(Refused, match="cannot be withdrawn"):
        say(records, number, "corrected", event=1, withdrawn=True)


def test_what_was_said_to_be_served_by_mistake_is_there_again(records):
    number = load(records)
    event = say(records, number, "served")
    assert records.batch_cards() == []
    assert [card.batch.id for card in records.batch_cards(place="gone")] == [number]
    say(records, number, "corrected", event=event, withdrawn=True)
    assert records.batch_card(number).batch.place == "stored"


def test_a_cabinet_said_to_be_emptied_lets_its_batches_go(records):
    number = load(records)
    records.say_emptied("v3-meat", who="Asha", now_ms=NOON_MS + HOUR)
    card = records.batch_card(number)
    assert (card.batch.place, card.batch.end) == ("gone", None)
    assert records.batch_events(number)[-1].body["note"] == "cabinet said emptied"


def hold(records, verdict=Verdict.HOLD):
    made_card = made.card(computed=verdict, standing=verdict).model_copy(
        update={"minutes_above": 130.0, "minutes_unknown": 5.0, "minutes_worst_case": 135.0}
    )
    records.write_card(made_card, made.analysis(verdict=verdict))


def release(records, disposition, **changes):
    words = {"who": "Asha", "probe_c": 3.2, "reason": "core cold", "now_ms": NOON_MS + HOUR, **changes}
    records.release_hold("v3-meat", disposition=disposition, **words)


@pytest.mark.parametrize(
    ("disposition", "to_unit", "place", "unit", "end"),
    [
        ("kept", None, "stored", "v3-meat", None),
        ("discarded", None, "gone", "v3-meat", "discarded"),
        ("cooked_at_once", None, "gone", "v3-meat", "cooked"),
        ("moved", "v3-ice", "stored", "v3-ice", None),
        ("moved", None, "stored", None, None),
        ("refrozen", "v3-ice", "stored", "v3-ice", None),
    ],
)
def test_the_sign_off_of_a_cabinet_speaks_for_every_batch_in_it(  # noqa: PLR0917 - one row of the table
    records, disposition, to_unit, place, unit, end
):
    number = load(records)
    judge(records, number, Verdict.HOLD)
    hold(records)
    release(records, disposition, to_unit=to_unit)
    card = records.batch_card(number)
    assert (card.batch.place, card.batch.unit, card.batch.end) == (place, unit, end)
    assert card.batch.frozen is (disposition == "refrozen")
    assert card.standing is Verdict.WATCH
    assert len(records.batch_cards()) == (place != "gone")


def test_moved_food_nobody_recorded_becomes_a_batch_with_its_minutes(records):
    hold(records)
    release(records, "moved", to_unit="v3-ice")
    (card,) = records.batch_cards()
    batch = card.batch
    assert (batch.what, batch.food_class, batch.unit) == ("Food from Meat chest", "red_meat", "v3-ice")
    assert (batch.carried_above_min, batch.carried_unknown_min, batch.core_c) == (130.0, 5.0, 3.2)


def test_a_batch_to_be_discarded_stops_a_sign_off_for_the_whole_cabinet(records):
    number = load(records)
    judge(records, number, Verdict.DISCARD_ADVISED)
    hold(records)
    with pytest.raises(Refused, match="Stew"):
        release(records, "kept")
    release(records, "discarded")
    assert records.card("v3-meat").standing is Verdict.WATCH


@pytest.mark.parametrize("disposition", ["cooked_at_once", "refrozen"])
def test_medicine_on_hold_is_neither_cooked_nor_frozen(records, disposition):
    insulin = BatchNew(what="Insulin", food_class="medicine", unit="v3-meat", core_c=5.0)
    number = load(records, insulin)
    judge(records, number, Verdict.HOLD)
    closing = {"probe_c": 5.0, "disposition": disposition, "reason": "none"}
    with pytest.raises(Refused, match="pharmacist"):
        say(records, number, "hold_closed", **closing, unit="v3-ice")
    with pytest.raises(Refused, match="pharmacist"):
        records.release_hold("v3-meat", who="Asha", now_ms=NOON_MS + MINUTE, **closing)


def test_a_cabinet_is_not_said_empty_over_food_on_hold(records):
    number = load(records)
    judge(records, number, Verdict.HOLD)
    with pytest.raises(Refused, match="Stew is on hold"):
        records.say_unit_state("v3-meat", "empty", "Asha", NOON_MS + MINUTE)
    with pytest.raises(Refused, match="Stew is on hold"):
        records.say_emptied("v3-meat", who="Asha", now_ms=NOON_MS + MINUTE)
    assert records.clock_from_ms("v3-meat") is None
    assert records.batch_card(number).batch.place == "stored"
    say(records, number, "discarded")
    records.say_unit_state("v3-meat", "empty", "Asha", NOON_MS + 2 * MINUTE)


@pytest.mark.parametrize("kind", ["served", "cooked", "discarded"])
def test_food_is_not_gone_before_it_was_last_moved(records, kind):
    number = load(records)
    say(records, number, "moved", unit="v3-ice", now_ms=NOON_MS + HOUR)
    with pytest.raises(Refused, match="before the last time"):
        say(records, number, kind, now_ms=NOON_MS + 2 * HOUR, happened_ms=NOON_MS + MINUTE)
    say(records, number, kind, now_ms=NOON_MS + 2 * HOUR, happened_ms=NOON_MS + HOUR)
    assert records.batch_card(number).batch.place == "gone"


def test_food_is_not_put_back_before_it_was_taken_out(records):
    number = load(records)
    say(records, number, "taken_out", now_ms=NOON_MS + HOUR)
    with pytest.raises(Refused, match="before the last time"):
        say(records, number, "put_back", now_ms=NOON_MS + 2 * HOUR, happened_ms=NOON_MS + MINUTE)


def test_a_day_mark_still_to_come_is_refused(records):
    ahead = dt.date(2026, 6, 3)
    with pytest.raises(Refused, match="still to come"):
        load(records, STEW.model_copy(update={"opened_on": ahead}))
    number = load(records, STEW.model_copy(update={"opened_on": dt.date(2026, 6, 1)}))
    with pytest.raises(Refused, match="still to come"):
        say(records, number, "corrected", opened_on=ahead.isoformat())


def test_the_history_of_a_verdict_grows_by_a_row_only_when_it_changes(records):
    number = load(records)
    assert records.batch_verdicts(number) == []
    for verdict in (Verdict.OK, Verdict.OK, Verdict.HOLD, Verdict.HOLD):
        judge(records, number, verdict)
    say(records, number, "hold_closed", probe_c=3.0, disposition="kept", reason="cold in the core")
    history = records.batch_verdicts(number)
    assert [(v.standing_before, v.standing, v.origin) for v in history] == [
        (Verdict.HOLD, Verdict.WATCH, "person"),
        (Verdict.OK, Verdict.HOLD, "data"),
        (None, Verdict.OK, "data"),
    ]
    assert history[0].recorded == NOON_MS + MINUTE
    assert "cold in the core" in history[0].why
    assert records.batch_verdicts(number, limit=1) == history[:1]


def test_a_part_that_is_split_off_begins_with_what_stands_of_the_whole(records):
    number = load(records)
    judge(records, number, Verdict.HOLD)
    part = say(records, number, "split", quantity=1.0)
    (first,) = records.batch_verdicts(part)
    assert (first.batch, first.standing_before, first.standing, first.origin) == (
        part,
        None,
        Verdict.HOLD,
        "person",
    )


def test_changes_of_batches_and_cabinets_have_one_order(records):
    number = load(records)
    judge(records, number, Verdict.OK)
    before = records.change_no()
    judge(records, number, Verdict.HOLD)
    (change_no, change) = records.batch_verdicts_after(before)[0]
    assert (change.batch, change.standing) == (number, Verdict.HOLD)
    assert before < change_no <= records.change_no()
    assert change_no not in {no for no, _ in records.cards_changed_after(before)}
    assert records.batch_verdicts_after(records.change_no()) == []
