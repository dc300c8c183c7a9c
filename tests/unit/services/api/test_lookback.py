import pytest

from services.api.lookback import ALL_KINDS, Described, HouseEvent, VerdictMove, happenings
from services.api.schemas import StatementRow
from services.domain import BatchEvent, BatchNew, Verdict
from services.records import batchbook
from services.records.facade import Records
from services.timebase import HOUR_MS, MINUTE_MS
from tests.helpers.food_cards import food_card
from tests.helpers.larder import NOW_MS, analysis, card, fleet


@pytest.fixture
def records(tmp_path):
    """A house in which four things were written down, one a minute."""
    found = Records(tmp_path / "records.db")
    found.apply_fleet(fleet(), who="operator", now_ms=NOW_MS - HOUR_MS)
    held = card(standing=Verdict.HOLD, standing_since=NOW_MS - HOUR_MS, as_of=NOW_MS)
    found.write_card(held, analysis(held))
    found.say_note("v3-meat", who="Jonas K.", note="lid was open", now_ms=NOW_MS + MINUTE_MS)
    new = BatchNew(what="Fish", food_class="frozen_fish", unit="camp-fish")
    found.load_batch(new, who="Jonas K.", now_ms=NOW_MS + 3 * MINUTE_MS, happened_ms=NOW_MS)
    found.say_note("v3-veg", who="Thandi M.", note="gasket worn", now_ms=NOW_MS + 2 * MINUTE_MS)
    yield found
    found.close()


def told(records, *, units=None, kinds=("said", "food", "verdict"), limit=10, end_ms=NOW_MS + HOUR_MS):
    return happenings(records, 0, end_ms, units=units, kinds=kinds, limit=limit)


def test_everything_stands_in_one_order_the_newest_first(records):
    found = told(records)
    assert [type(each.told) for each in found] == [BatchEvent, StatementRow, StatementRow, VerdictMove]
    assert [each.unit for each in found] == ["camp-fish", "v3-veg", "v3-meat", "v3-meat"]


def test_both_times_are_kept_where_something_was_written_down_later(records):
    first, *_, verdict = told(records)
    assert (first.written_ms, first.t_ms) == (NOW_MS + 3 * MINUTE_MS, NOW_MS)
    assert (verdict.written_ms, verdict.t_ms) == (NOW_MS, NOW_MS - HOUR_MS)


def test_it_is_narrowed_by_cabinet_kind_time_and_number(records):
    assert [each.unit for each in told(records, units={"v3-veg"})] == ["v3-veg"]
    assert [each.kind for each in told(records, kinds={"verdict"})] == ["verdict"]
    assert [each.kind for each in told(records, kinds={"food"})] == ["food"]
    assert len(told(records, limit=2)) == 2
    assert [each.kind for each in told(records, end_ms=NOW_MS + MINUTE_MS)] == ["verdict"]


def test_a_verdict_that_a_person_moved_names_that_person_even_where_words_are_left_out(records):
    at_ms = NOW_MS + 5 * MINUTE_MS
    records.release_hold(
        "v3-meat", who="Thandi M.", probe_c=3.0, disposition="kept", reason="probed", now_ms=at_ms
    )
    first, *rest = told(records, kinds={"verdict"})
    assert (first.told.origin, first.told.who) == ("person", "Thandi M.")
    assert [each.told.who for each in rest] == [""]


def test_the_end_of_a_batch_on_hold_names_who_closed_it(records):
    new = BatchNew(what="Mince", food_class="mince", unit="v3-veg")
    batch = records.load_batch(new, who="Jonas K.", now_ms=NOW_MS)
    held = food_card(batch, standing=Verdict.HOLD, standing_why="133 min above 4.0 °C")
    kept = records.batch_card(batch)
    with records._database.writing() as session:
        batchbook.put_card(session, held.model_copy(update={"batch": kept.batch, "as_of": NOW_MS}))
    body = {"probe_c": 9.0, "disposition": "discarded", "reason": "warm"}
    records.say_of_batch(batch, "hold_closed", who="Thandi M.", body=body, now_ms=NOW_MS + 6 * MINUTE_MS)
    moved = [e for e in told(records, kinds={"verdict"}) if e.batch == batch and e.told.origin == "person"]
    assert [each.told.who for each in moved] == ["Thandi M."]


def test_a_cabinet_that_moves_is_told_among_the_rest_and_accounts_of_the_whole_house_only(records):
    held = records.fleet()
    units = tuple(u.model_copy(update={"site": "river-camp"}) if u.id == "v3-veg" else u for u in held.units)
    records.apply_fleet(held.model_copy(update={"units": units}), who="Ada B.", now_ms=NOW_MS + 4 * MINUTE_MS)
    records.invite("Jonas K.", "cook", None, who="Ada B.", now_ms=NOW_MS + 5 * MINUTE_MS)
    account, moved, *_ = told(records, kinds=ALL_KINDS)
    assert (account.kind, account.unit, type(account.told)) == ("account", None, HouseEvent)
    assert (moved.kind, moved.unit, type(moved.told)) == ("moved", "v3-veg", Described)
    assert told(records, kinds=ALL_KINDS, units={"v3-veg"})[0].kind == "moved"
