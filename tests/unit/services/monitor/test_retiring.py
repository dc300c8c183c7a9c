"""Old records go on their own, a few at a time."""

from services.monitor.retiring import BETWEEN_MS, Retiring
from services.records.facade import Records
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.larder import NOW_MS, fleet


def test_old_records_go_in_turns_and_then_it_rests_for_an_hour(tmp_path):
    records = Records(tmp_path / "records.db")
    records.apply_fleet(fleet(), who="operator", now_ms=NOW_MS - 900 * DAY_MS)
    for number in range(3):
        records.say_note("v3-meat", who="Jonas K.", note="x", now_ms=NOW_MS - 800 * DAY_MS + number)
    old = Retiring(records, 731 * DAY_MS)
    assert old.step(NOW_MS) == 2
    assert old.step(NOW_MS + BETWEEN_MS - 1) == 0
    records.say_note("v3-veg", who="Jonas K.", note="x", now_ms=NOW_MS - 800 * DAY_MS)
    records.say_note("v3-veg", who="Jonas K.", note="x", now_ms=NOW_MS - 800 * DAY_MS)
    assert old.step(NOW_MS + BETWEEN_MS) == 1
    assert old.step(NOW_MS + 2 * BETWEEN_MS) == 0
    records.say_note("v3-veg", who="Jonas K.", note="x", now_ms=NOW_MS - 800 * DAY_MS)
    assert old.step(NOW_MS + 2 * BETWEEN_MS + HOUR_MS - 1) == 0
    assert old.step(NOW_MS + 2 * BETWEEN_MS + HOUR_MS) == 1
    assert records.verify_chain().faults == []
    records.close()


def test_a_clock_that_was_set_back_does_not_stop_it(tmp_path):
    records = Records(tmp_path / "records.db")
    records.apply_fleet(fleet(), who="operator", now_ms=NOW_MS - 900 * DAY_MS)
    old = Retiring(records, 731 * DAY_MS)
    old.step(NOW_MS)
    for number in range(3):
        records.say_note("v3-meat", who="Jonas K.", note="x", now_ms=NOW_MS - 900 * DAY_MS + number)
    assert old.step(NOW_MS - 2 * HOUR_MS) == 2
    records.close()
