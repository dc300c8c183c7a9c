"""The part of the desk that deals with batches, on real records."""

import pytest

from services.api.batchdesk import BatchDesk, UnknownBatchError
from services.api.lapse import LAPSES_AFTER_MS
from services.domain import BatchNew, Verdict
from services.errors import Refused
from services.records import batchbook
from services.records.facade import Records
from tests.helpers import made
from tests.helpers.made import NOON_MS

STEW = BatchNew(what="Stew", food_class="cooked", unit="v3-meat", quantity=4.0)


@pytest.fixture
def records(tmp_path):
    opened = Records(tmp_path / "records.db")
    opened.apply_fleet(made.fleet(), who="operator", now_ms=NOON_MS)
    yield opened
    opened.close()


@pytest.fixture
def desk(records):
    return BatchDesk(records, lambda: NOON_MS)


def test_what_was_put_in_is_handed_back(desk):
    card = desk.load_batch(STEW, "Asha")
    assert (card.batch.what, card.batch.loaded_at) == ("Stew", NOON_MS)
    assert desk.batch(card.batch.id) == card
    assert [c.batch.id for c in desk.batches(site="vehicle-3")] == [card.batch.id]
    assert desk.batches(unit="v3-ice") == []


def test_of_a_split_the_part_is_handed_back(desk):
    whole = desk.load_batch(STEW, "Asha").batch.id
    part = desk.say_of_batch(whole, "split", "Asha", {"quantity": 1.0})
    assert (part.batch.split_from, part.batch.quantity) == (whole, 1.0)
    assert desk.batch(whole).batch.quantity == 3.0


def test_when_it_happened_may_be_said_in_words_or_in_milliseconds(desk):
    number = desk.load_batch(STEW, "Asha", NOON_MS - 3_600_000).batch.id
    desk.say_of_batch(number, "probed", "Asha", {"probe_c": 3.0, "happened": "2026-06-01T11:30:00Z"})
    desk.say_of_batch(number, "probed", "Asha", {"probe_c": 3.0}, NOON_MS - 60_000)
    times = [(event.t - NOON_MS) // 60_000 for event in desk.batch_events(number)]
    assert times == [-60, -30, -1]


def test_nothing_is_said_of_a_batch_that_is_not_there(desk):
    for ask in (desk.batch, desk.batch_events, lambda n: desk.say_of_batch(n, "opened", "Asha")):
        with pytest.raises(UnknownBatchError):
            ask(7)


def test_what_cannot_be_said_is_refused_in_words(desk):
    number = desk.load_batch(STEW, "Asha").batch.id
    with pytest.raises(Refused, match="probe reading is missing"):
        desk.say_of_batch(number, "probed", "Asha", {})
    with pytest.raises(Refused, match="cannot be said"):
        desk.say_of_batch(number, "eaten", "Asha", {})


def test_a_good_verdict_lapses_when_nobody_judges(records, desk):
    number = desk.load_batch(STEW, "Asha").batch.id
    from_monitor = records.batch_card(number).model_copy(
        update={"computed": Verdict.OK, "standing": Verdict.OK, "standing_why": "cold"}
    )
    with records._database.writing() as session:
        batchbook.put_card(session, from_monitor)
    assert desk.batch(number).standing is Verdict.OK
    later = BatchDesk(records, lambda: NOON_MS + LAPSES_AFTER_MS + 60_000)
    assert later.batch(number).standing is Verdict.NO_DATA
    assert "monitor is silent" in later.batches()[0].standing_why
    desk.say_of_batch(number, "discarded", "Asha")
    assert later.batch(number).standing is Verdict.OK
