import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_sim.firmware.flash import PAGE_BYTES
from firmware_sim.firmware.pagelog import PageLog
from tests.helpers.flash import FailingFlash, PowerLostError

SIZE = 500  # eight records to a page


def _log(flash, **changes):
    return PageLog(flash, **{"first_page": 1, "pages": 3, "record_bytes": SIZE, **changes})


def _body(k):
    return np.random.default_rng(k).bytes(SIZE)


def _append(log, count, start=0):
    for k in range(start, start + count):
        log.append([_body(k)])


def test_records_come_back_in_order_with_their_index():
    log = _log(FailingFlash(4))
    assert log.append([_body(0), _body(1), _body(2)]) == 3
    assert [(each.index, each.body) for each in log.read(0, 10)] == [(k, _body(k)) for k in range(3)]


def test_records_outlive_a_restart():
    flash = FailingFlash(4)
    _append(_log(flash), 11)
    again = _log(flash)
    assert again.end == 11
    assert [each.body for each in again.read(0, 11)] == [_body(k) for k in range(11)]


def test_the_oldest_page_gives_way_when_all_are_full():
    log = _log(FailingFlash(4))
    _append(log, 30)
    assert (log.slots, log.begin) == (8, 8)
    assert [each.index for each in log.read(0, 99)] == list(range(8, 30))


def test_other_pages_of_the_flash_are_left_alone():
    flash = FailingFlash(6)
    flash.program(0, b"before")
    flash.program(4 * PAGE_BYTES, b"after")
    _append(_log(flash), 60)
    assert flash.read(0, 6) == b"before"
    assert flash.read(4 * PAGE_BYTES, 5) == b"after"
    assert flash.read(5 * PAGE_BYTES, PAGE_BYTES) == b"\xff" * PAGE_BYTES


def test_one_page_is_too_few():
    with pytest.raises(ValueError, match="two pages"):
        _log(FailingFlash(4), pages=1)


def test_a_record_of_another_place_is_not_taken_for_this_one():
    flash = FailingFlash(4)
    log = _log(flash)
    _append(log, 3)
    base = PAGE_BYTES + 32
    flash.cells[base : base + SIZE + 4] = flash.cells[base + SIZE + 4 : base + 2 * (SIZE + 4)]
    assert [each.index for each in log.read(0, 3)] == [1, 2]
    assert log.bad_slots(0, 3) == [(0, 1)]


def test_a_page_gone_bad_is_found_and_its_places_are_named():
    flash = FailingFlash(4)
    log = _log(flash)
    _append(log, 20)
    flash.spoil(2)
    log.check_heads()
    assert log.bad_slots(0, 20) == [(8, 16)]
    again = _log(flash)
    assert again.bad_slots(0, 20) == [(8, 16)]
    assert again.end == 20


def _kept_before_power_went(log):
    for k in range(23, 26):
        try:
            log.append([_body(k)])
        except PowerLostError:
            return k
    raise AssertionError("the supply did not fail")


def test_power_lost_at_any_byte_loses_no_kept_record_and_uses_no_place_twice():
    """Three records on two full pages and the turn of the ring: every single byte is a place to stop."""
    start = FailingFlash(4)
    _append(_log(start), 23)
    before = bytes(start.cells)
    start.used = 0
    _append(_log(start), 3, start=23)
    for stop in range(start.used):
        flash = FailingFlash(4, seed=stop)
        flash.cells[:] = before
        flash.fail_after(stop)
        kept = _kept_before_power_went(_log(flash))
        flash.power()
        again = _log(flash)
        found = {each.index: each.body for each in again.read(0, 99)}
        assert all(found[k] == _body(k) for k in range(max(8, again.begin), kept)), stop
        assert set(found) <= {*range(kept + 1)}, stop
        assert again.end >= kept
        place = again.end
        again.append([b"\x00" * SIZE])
        assert _log(flash).read(place, place + 1)[0].body == b"\x00" * SIZE, stop


@settings(max_examples=40, deadline=None)
@given(
    moves=st.lists(st.tuples(st.integers(1, 12), st.integers(0, 9000)), min_size=1, max_size=8),
    seed=st.integers(0, 2**32),
)
def test_after_any_row_of_power_losses_every_kept_record_is_whole(moves, seed):
    flash = FailingFlash(4, seed=seed)
    kept, number = {}, 0
    for count, stop in moves:
        flash.power()
        log = _log(flash)
        flash.fail_after(stop)
        try:
            for _ in range(count):
                number += 1
                place = log.end
                log.append([_body(number)])
                assert place not in kept
                kept[place] = number
        except PowerLostError:
            pass
        flash.power()
        log = _log(flash)
        found = {each.index: each.body for each in log.read(0, 10**6)}
        for place, which in kept.items():
            if place >= log.end - 2 * log.slots:  # the third page may be half erased
                assert found.get(place) == _body(which)
            else:
                assert found.get(place) in {None, _body(which)}
