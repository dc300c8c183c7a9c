"""The outbox keeps messages until somebody has taken them."""

import pytest

from services.domain import Message, Person, WaySaid
from services.records.facade import Records
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS

NOW_MS = 1_790_000_000_000
APPLIED_MS = NOW_MS - 3 * DAY_MS
HOLD_MS = 5 * MINUTE_MS


@pytest.fixture
def records(tmp_path):
    opened = Records(tmp_path / "records.db")
    yield opened
    opened.close()


def message(key="a", **changes):
    plain = {"way": 1, "kind": "mail", "target": "asha@camp.example", "about": "notice", "notice": 4}
    return Message.model_validate({"key": key, **plain, **changes})


def claimed(records, now_ms=NOW_MS, most=10):
    return [each.key for each in records.claim_out(now_ms=now_ms, most=most, hold_ms=HOLD_MS)]


def sent(records, **asked):
    return records.outbox(since_ms=0, **asked)


def test_what_has_the_same_key_goes_into_the_outbox_once(records):
    assert records.put_out([message("a"), message("b"), message("a")], now_ms=NOW_MS) == 2
    assert records.put_out([message("b", body="again"), message("c")], now_ms=NOW_MS) == 1
    assert [each.message.key for each in sent(records)] == ["c", "b", "a"]
    assert sent(records)[1].message.body == ""
    assert records.put_out([], now_ms=NOW_MS) == 0


def test_a_message_comes_out_as_it_went_in(records):
    there = message(
        person="Asha", subject="Kudu", body="line\nline", priority="high", data={"unit": "v3"},
        not_after_ms=NOW_MS + HOUR_MS,
    )  # fmt: skip
    records.put_out([there], now_ms=NOW_MS)
    assert records.claim_out(now_ms=NOW_MS, most=1, hold_ms=HOLD_MS) == [there]


def test_an_address_is_in_no_line_that_is_printed():
    assert "asha" not in repr(message())


def test_what_one_process_has_taken_no_other_takes_until_its_time_is_over(records):
    records.put_out([message("a"), message("b")], now_ms=NOW_MS)
    assert claimed(records, most=1) == ["a"]
    assert claimed(records) == ["b"]
    assert claimed(records, NOW_MS + HOLD_MS - 1) == []
    assert claimed(records, NOW_MS + HOLD_MS) == ["a", "b"]


def test_a_clock_that_was_set_back_holds_nothing_for_longer(records):
    records.put_out([message()], now_ms=NOW_MS - 2 * DAY_MS)
    assert claimed(records) == ["a"]
    assert claimed(records, NOW_MS - DAY_MS) == ["a"]


def test_the_most_urgent_goes_first_and_equals_in_their_order(records):
    urgencies = {"a": None, "b": "low", "c": "high", "d": "medium", "e": "high"}
    records.put_out([message(key, priority=rank) for key, rank in urgencies.items()], now_ms=NOW_MS)
    assert claimed(records) == ["c", "e", "d", "b", "a"]


def test_a_lamp_shows_the_last_thing_it_was_told_for_none_overtakes_another(records):
    lamp = {"kind": "lamp", "way": 7, "target": "boma"}
    records.put_out([message("on", **lamp), message("off", priority="high", **lamp)], now_ms=NOW_MS)
    assert claimed(records) == ["on"]
    records.out_failed("on", "no broker", now_ms=NOW_MS, again_ms=NOW_MS + MINUTE_MS)
    assert claimed(records, NOW_MS + 1) == []
    assert claimed(records, NOW_MS + MINUTE_MS) == ["on"]
    records.out_done("on", NOW_MS + MINUTE_MS)
    assert claimed(records, NOW_MS + MINUTE_MS) == ["off"]


def test_a_message_that_was_taken_is_done_and_says_at_which_try(records):
    records.put_out([message()], now_ms=NOW_MS)
    records.out_failed("a", "no answer", now_ms=NOW_MS + 1, again_ms=NOW_MS + MINUTE_MS)
    (waits,) = sent(records)
    assert (waits.state, waits.tries, waits.why, waits.again_ms) == (
        "waiting", 1, "no answer", NOW_MS + MINUTE_MS,
    )  # fmt: skip
    assert claimed(records, NOW_MS + 2) == []
    records.out_done("a", NOW_MS + MINUTE_MS)
    (done,) = sent(records)
    assert (done.state, done.tries, done.why, done.done_ms) == ("sent", 2, "", NOW_MS + MINUTE_MS)
    assert claimed(records, NOW_MS + DAY_MS) == []


def test_what_was_taken_is_not_undone_by_a_late_failure(records):
    records.put_out([message()], now_ms=NOW_MS)
    records.out_done("a", NOW_MS)
    records.out_failed("a", "too late", now_ms=NOW_MS, again_ms=NOW_MS)
    assert [(each.state, each.tries) for each in sent(records)] == [("sent", 1)]


def test_a_message_that_is_given_up_stays_to_be_seen(records):
    records.put_out([message(person="Asha"), message("b", person="Jonas", notice=5)], now_ms=NOW_MS)
    records.out_failed("a", "refused", now_ms=NOW_MS + 1, again_ms=None)
    assert [each.state for each in sent(records, person="Asha")] == ["not_delivered"]
    assert [each.message.key for each in sent(records, notice=5)] == ["b"]
    assert claimed(records, NOW_MS + DAY_MS) == ["b"]
    assert records.outbox(since_ms=NOW_MS + 1) == []


def test_a_message_without_an_end_is_tried_for_a_day(records):
    records.put_out([message("a"), message("b", not_after_ms=NOW_MS + 1)], now_ms=NOW_MS)
    assert records.out_tries("a") == (0, NOW_MS, NOW_MS + DAY_MS)
    assert records.out_tries("b") == (0, NOW_MS, NOW_MS + 1)
    assert records.out_tries("c") is None


def stuck(records, now_ms):
    found = records.stuck_out(since_ms=now_ms - DAY_MS, late_ms=now_ms - 15 * MINUTE_MS)
    return [each.message.key for each in found]


@pytest.fixture
def ways(records):
    records.add_person(Person(name="Asha", role="cook"), now_ms=APPLIED_MS)
    return [
        records.say_way(
            WaySaid(who="Asha", person="Asha", kind="mail", target=f"asha{k}@camp.example"), now_ms=APPLIED_MS
        )
        for k in range(3)
    ]


def test_a_way_does_not_work_while_its_newest_message_was_given_up_or_its_oldest_waits(records, ways):
    a, b, c = ways
    records.put_out([message("a", way=a), message("b", way=b), message("c", way=c)], now_ms=NOW_MS)
    records.out_done("b", NOW_MS)
    assert stuck(records, NOW_MS) == []
    records.out_failed("a", "refused", now_ms=NOW_MS, again_ms=None)
    assert stuck(records, NOW_MS) == ["a"]
    later = NOW_MS + 16 * MINUTE_MS
    assert stuck(records, later) == ["a", "c"]
    records.put_out([message("d", way=a)], now_ms=later)
    records.out_done("d", later)
    records.out_done("c", later)
    assert stuck(records, later) == []
    records.put_out([message("e", way=a)], now_ms=later)
    records.out_failed("e", "refused", now_ms=later, again_ms=None)
    assert stuck(records, later) == ["e"]
    assert stuck(records, later + DAY_MS + 1) == []


def test_a_test_and_a_way_out_of_use_are_no_trouble(records, ways):
    records.put_out([message("t", way=ways[0], about="test"), message("m", way=ways[1])], now_ms=NOW_MS)
    records.out_failed("t", "refused", now_ms=NOW_MS, again_ms=None)
    records.out_failed("m", "refused", now_ms=NOW_MS, again_ms=None)
    assert stuck(records, NOW_MS) == ["m"]
    records.set_way_off(ways[1], off=True, who="Asha", now_ms=NOW_MS)
    assert stuck(records, NOW_MS) == []


def test_a_way_was_proven_when_a_message_was_taken(records, ways):
    records.put_out([message(way=ways[0])], now_ms=NOW_MS)
    assert records.ways()[0].proven_ms is None
    records.out_done("a", NOW_MS + 5)
    assert records.ways()[0].proven_ms == NOW_MS + 5
    assert records.out_waiting() == 0


def test_each_kind_is_asked_for_by_itself(records):
    records.put_out([message("m"), message("w", kind="web", target="https://x.example")], now_ms=NOW_MS)
    found = records.claim_out(now_ms=NOW_MS, most=5, hold_ms=HOLD_MS, kind="web")
    assert [each.key for each in found] == ["w"]
    assert records.out_waiting() == 2
