import pytest

from services.domain import BatchNew, Verdict
from services.records.facade import Records
from services.records.said import Result
from services.timebase import HOUR_MS, MINUTE_MS
from tests.helpers.larder import NOW_MS, analysis, card, fleet

EVER = {"start_ms": 0, "end_ms": NOW_MS + 100 * HOUR_MS}


@pytest.fixture
def records(tmp_path):
    found = Records(tmp_path / "records.db")
    found.apply_fleet(fleet(), who="operator", now_ms=NOW_MS - 10 * HOUR_MS)
    yield found
    found.close()


def judge(records, verdict, t_ms, unit="v3-meat"):
    one = card(unit, standing=verdict, standing_since=t_ms, computed=verdict, as_of=t_ms)
    records.write_results([Result(one, analysis(one), records.context(unit).statement_no)], now_ms=t_ms)


def put_in(records, unit, now_ms, what="Steaks"):
    new = BatchNew(what=what, food_class="red_meat", unit=unit, quantity=4.0)
    return records.load_batch(new, who="Jonas K.", now_ms=now_ms)


def test_statements_of_a_span_come_newest_first_its_end_left_out(records):
    for minute, note in enumerate(("one", "two", "three")):
        records.say_note("v3-meat", who="Jonas K.", note=note, now_ms=NOW_MS + minute * MINUTE_MS)
    span = {"start_ms": NOW_MS, "end_ms": NOW_MS + 2 * MINUTE_MS}
    found = records.statements_between(**span, units=None, limit=10)
    assert [said.body["note"] for said in found] == ["two", "one"]
    assert [said.body["note"] for said in records.statements_between(**EVER, units=None, limit=1)] == [
        "three"
    ]
    assert records.statements_between(**EVER, units={"v3-veg"}, limit=10) == []
    assert records.statements_between(**EVER, units=frozenset(), limit=10) == []


def test_changes_of_verdict_are_found_by_when_they_were_recorded(records):
    judge(records, Verdict.OK, NOW_MS)
    judge(records, Verdict.HOLD, NOW_MS + HOUR_MS)
    judge(records, Verdict.OK, NOW_MS, unit="v3-veg")
    found = records.unit_verdicts_between(NOW_MS + 1, NOW_MS + 2 * HOUR_MS, units=None, limit=10)
    assert [(each.unit, each.standing, each.standing_before) for each in found] == [
        ("v3-meat", Verdict.HOLD, Verdict.OK)
    ]
    assert len(records.unit_verdicts_between(**EVER, units={"v3-veg"}, limit=10)) == 1


def test_what_was_said_of_a_batch_is_told_with_the_cabinet_it_lay_in_then(records):
    batch = put_in(records, "v3-meat", NOW_MS)
    records.say_of_batch(batch, "moved", who="Jonas K.", body={"unit": "v3-veg"}, now_ms=NOW_MS + HOUR_MS)
    records.say_of_batch(batch, "probed", who="Jonas K.", body={"probe_c": 0.0}, now_ms=NOW_MS + 2 * HOUR_MS)
    found = records.batch_events_between(**EVER, units=None, limit=10)
    assert [(each.told.kind, each.unit) for each in found] == [
        ("probed", "v3-veg"),
        ("moved", "v3-veg"),
        ("loaded", "v3-meat"),
    ]
    old = records.batch_events_between(**EVER, units={"v3-meat"}, limit=10)
    assert [(each.told.kind, each.unit) for each in old] == [("moved", "v3-meat"), ("loaded", "v3-meat")]
    assert records.batch_events_between(**EVER, units={"camp-fish"}, limit=10) == []
    assert len(records.batch_events_between(**EVER, units=None, limit=2)) == 2


def test_only_what_was_thrown_away_in_the_span_is_lost(records):
    eaten, thrown, kept = (put_in(records, "v3-meat", NOW_MS, what) for what in ("Roast", "Mince", "Chops"))
    records.say_of_batch(eaten, "served", who="Jonas K.", now_ms=NOW_MS + HOUR_MS)
    records.say_of_batch(thrown, "discarded", who="Jonas K.", now_ms=NOW_MS + HOUR_MS)
    assert [each.batch.id for each in records.batches_discarded(NOW_MS, NOW_MS + 2 * HOUR_MS)] == [thrown]
    assert records.batches_discarded(NOW_MS, NOW_MS + HOUR_MS) == []
    assert kept not in {each.batch.id for each in records.batches_discarded(0, NOW_MS + 9 * HOUR_MS)}
