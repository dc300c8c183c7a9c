"""What waits in the outbox is sent, each kind by itself, and tried again where it was not taken."""

import threading
import time

import pytest

from services.errors import DependencyUnavailable
from services.notify.delivering import AT_ONCE, HOLD_MS, Delivering, again_at
from services.notify.failures import NotTakenError
from services.records.facade import Records
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS
from tests.helpers.messages import NOW_MS, message


@pytest.fixture
def records(tmp_path):
    opened = Records(tmp_path / "records.db")
    yield opened
    opened.close()


def wait_for(condition):
    end = time.monotonic() + 30.0
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.01)


def states(records):
    return {each.message.key: each.state for each in records.outbox(since_ms=0)}


def delivering(records, **senders):
    return Delivering(records, senders, lambda: NOW_MS)


def test_what_is_taken_is_sent_once_and_counted(records):
    gone = []
    post = delivering(records, mail=lambda each: gone.append(each.key) or "Taken.")
    records.put_out([message("a"), message("b")], now_ms=NOW_MS)
    assert post.step(NOW_MS) == 2
    wait_for(lambda: states(records) == {"a": "sent", "b": "sent"})
    wait_for(lambda: post.figures.sent == 2)
    assert post.step(NOW_MS) == 0
    assert sorted(gone) == ["a", "b"]


def test_what_hangs_in_one_kind_holds_up_no_other_and_is_not_sent_again(records):
    let_go, begun = threading.Event(), []

    def hangs(each):
        begun.append(each.key)
        let_go.wait(30.0)
        return "Taken at last."

    post = delivering(records, mail=hangs, lamp=lambda _each: "Taken.")
    mails = [message(f"m{k}") for k in range(AT_ONCE + 2)]
    records.put_out([*mails, message("l", kind="lamp", target="boma", way=2)], now_ms=NOW_MS)
    post.step(NOW_MS)
    wait_for(lambda: states(records)["l"] == "sent")
    wait_for(lambda: len(begun) == AT_ONCE)
    for later_ms in (NOW_MS + 1, NOW_MS + HOLD_MS + 1, NOW_MS + 3 * HOLD_MS):
        post.step(later_ms)
    assert len(begun) == AT_ONCE, "what is on its way is not taken up again, however long it takes"
    let_go.set()
    wait_for(lambda: post.figures.sent == AT_ONCE + 1)
    post.step(NOW_MS + 4 * HOLD_MS)
    wait_for(lambda: set(states(records).values()) == {"sent"})
    assert sorted(begun) == [each.key for each in mails]


def refuses(*, lasting=False):
    def send(_each):
        raise NotTakenError("mail.example was not found: there is no such name.", lasting=lasting)

    return send


def test_what_is_not_taken_waits_and_what_is_refused_for_good_does_not(records):
    post = delivering(records, mail=refuses(), web=refuses(lasting=True))
    records.put_out([message("m"), message("w", kind="web", target="https://x.example")], now_ms=NOW_MS)
    post.step(NOW_MS)
    wait_for(lambda: post.figures.failed == 2)
    mail = next(each for each in records.outbox(since_ms=0) if each.message.key == "m")
    assert (mail.state, mail.tries, mail.why) == (
        "waiting",
        1,
        "mail.example was not found: there is no such name.",
    )
    assert 0.9 * MINUTE_MS <= mail.again_ms - NOW_MS <= 1.1 * MINUTE_MS
    assert states(records)["w"] == "not_delivered"
    assert post.figures.given_up == 1


def test_what_has_lost_its_use_is_given_up_unsent(records):
    gone = []
    post = delivering(records, mail=gone.append)
    records.put_out([message("a", not_after_ms=NOW_MS)], now_ms=NOW_MS - HOUR_MS)
    post.step(NOW_MS)
    wait_for(lambda: states(records)["a"] == "not_delivered")
    assert gone == []


def test_a_fault_of_our_own_is_told_and_tried_again(records):
    post = delivering(records, mail=lambda each: each.nothing)
    records.put_out([message("a")], now_ms=NOW_MS)
    post.step(NOW_MS)
    wait_for(lambda: post.figures.failed == 1)
    (waits,) = records.outbox(since_ms=0)
    assert (waits.state, waits.why) == ("waiting", "A fault in the service itself; its log says which.")


def test_what_was_taken_while_the_records_were_away_is_written_down_later_and_not_sent_twice(records):
    gone = []

    post = delivering(records, mail=lambda each: gone.append(each.key) or "")
    done, away = records.out_done, [True]

    def out_done(key, now_ms):
        if away[0]:
            raise DependencyUnavailable("the records do not answer")
        done(key, now_ms)

    records.out_done = out_done
    records.put_out([message("a")], now_ms=NOW_MS)
    post.step(NOW_MS)
    wait_for(lambda: gone == ["a"])
    post.step(NOW_MS + 2 * HOLD_MS)
    assert states(records) == {"a": "waiting"}
    away[0] = False
    wait_for(lambda: post.step(NOW_MS + 3 * HOLD_MS) == 0 and states(records) == {"a": "sent"})
    assert gone == ["a"]


@pytest.mark.parametrize(("tries", "minutes"), [(0, 1), (1, 2), (2, 5), (3, 15), (4, 60), (9, 60)])
def test_waits_grow_and_are_spread(tries, minutes):
    early, late = (again_at("mail", tries, NOW_MS, NOW_MS + DAY_MS, chance) for chance in (0.0, 1.0))
    assert (early - NOW_MS, late - NOW_MS) == (0.9 * minutes * MINUTE_MS, 1.1 * minutes * MINUTE_MS)


def test_a_last_try_comes_shortly_before_the_end_and_then_it_is_over():
    end_ms = NOW_MS + 10 * MINUTE_MS
    last_ms = again_at("mail", 4, NOW_MS, end_ms, 0.5)
    assert end_ms - 15 * SECOND_MS < last_ms < end_ms
    assert again_at("mail", 5, last_ms, end_ms, 0.5) is None
    assert again_at("lamp", 9, NOW_MS, NOW_MS + DAY_MS, 0.5) == NOW_MS + MINUTE_MS
