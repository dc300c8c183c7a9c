import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_sim.firmware.eventlog import RECORD_BYTES, EventLog
from services.telemetry.messages import Event
from tests.helpers.flash import FailingFlash, PowerLostError


def _log(flash):
    return EventLog(flash, mark_pages=(0, 2), pages=(2, 4))


def _event(k, **more):
    return Event(kind="cut_out", bid=1, up=float(k), **more)


def _ups(log):
    return [event.up for _, event in log.waiting(100)]


def test_events_wait_in_order_until_the_broker_has_them():
    flash = FailingFlash(6)
    log = _log(flash)
    log.add([_event(k) for k in range(5)])
    assert _ups(log) == [0, 1, 2, 3, 4]
    log.sent(log.waiting()[2][0])
    assert _ups(log) == [3, 4]
    assert _ups(_log(flash)) == [3, 4]


def test_the_oldest_give_way():
    log = _log(FailingFlash(6))
    log.add([_event(k) for k in range(200)])
    kept = _ups(log)
    assert kept == list(range(200 - len(kept), 200))
    assert len(kept) >= 36


@given(st.text(max_size=200))
def test_whatever_an_event_says_fits(detail):
    log = _log(FailingFlash(6))
    log.add(
        [Event(kind="k" * 32, bid=2**31, t=1_760_000_000.125, up=1e9 / 3, channel="c" * 32, detail=detail)]
    )
    ((_, kept),) = log.waiting()
    assert kept.kind == "k" * 32
    assert kept.detail is None or detail.startswith(kept.detail)
    assert RECORD_BYTES < 400


def test_power_lost_while_one_is_written_keeps_the_others():
    flash = FailingFlash(6)
    _log(flash).add([_event(0)])
    for stop in (1, 100, 300):
        flash.fail_after(stop)
        with pytest.raises(PowerLostError):
            _log(flash).add([_event(9)])
        flash.power()
        _log(flash).add([_event(stop)])
    assert _ups(_log(flash)) == [0, 1, 100, 300]
