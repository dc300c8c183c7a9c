import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_sim.firmware.ring import Counts, Gone, Ring, is_measured, milli_or_missing, pages_for
from tests.helpers.flash import FailingFlash, PowerLostError

CHANNELS = ("cabinet", "compressor")
SLOTS = 101


@pytest.fixture
def flash():
    return FailingFlash(6)


def _open(flash):
    return Ring(flash, channels=CHANNELS, mark_pages=(0, 2), pages=(2, flash.pages - 2))


def _append(ring, *, bid, sq, count, start_ms=0):
    times = start_ms + 1000 * (sq + np.arange(count, dtype=np.int64))
    values = np.stack([times % 97, times % 2], axis=1).astype(np.int32)
    ring.append(bid=bid, sq=sq, tq=2, t_ms=times, up_ms=times, milli=values)


def test_samples_and_what_is_confirmed_survive_a_restart(flash):
    ring = _open(flash)
    _append(ring, bid=1, sq=0, count=10)
    ring.free({1: 3})
    before = ring.read(0, 10)
    again = _open(flash)
    assert again.counts() == Counts(written=10, freed=4, lost=0)
    assert np.array_equal(again.read(0, 10), before)


def test_a_page_holds_what_the_constant_of_these_tests_says():
    assert pages_for(CHANNELS, SLOTS) == 2
    assert pages_for(CHANNELS, SLOTS + 1) == 3


def test_only_confirmed_samples_are_freed(flash):
    ring = _open(flash)
    _append(ring, bid=1, sq=0, count=10)
    assert ring.free({}) == 0
    assert ring.free({2: 50}) == 0
    assert ring.free({1: 4}) == 5
    assert ring.free({1: 4}) == 5
    assert ring.free({1: 9}) == 10


def test_nothing_behind_an_unconfirmed_boot_is_freed(flash):
    ring = _open(flash)
    _append(ring, bid=1, sq=0, count=5)
    _append(ring, bid=2, sq=0, count=5, start_ms=10_000)
    assert ring.free({1: 2, 2: 4}) == 3
    assert ring.free({1: 4, 2: 1}) == 7


def test_a_full_ring_overwrites_the_oldest_page_and_counts_what_was_lost(flash):
    ring = _open(flash)
    _append(ring, bid=1, sq=0, count=4 * SLOTS)
    ring.free({1: 40})
    _append(ring, bid=1, sq=4 * SLOTS, count=1)
    assert ring.counts() == Counts(written=4 * SLOTS + 1, freed=SLOTS, lost=SLOTS - 41)
    assert ring.read(0, 10**6)["sq"].tolist() == list(range(SLOTS, 4 * SLOTS + 1))
    assert _open(flash).counts() == ring.counts()


def test_freed_samples_can_be_found_while_they_last(flash):
    ring = _open(flash)
    _append(ring, bid=1, sq=0, count=4 * SLOTS)
    ring.free({1: 10**6})
    assert ring.find(bid=1, first_sq=2, last_sq=4)["index"].tolist() == [2, 3, 4]
    _append(ring, bid=1, sq=4 * SLOTS, count=1)
    assert ring.find(bid=1, first_sq=SLOTS - 2, last_sq=SLOTS + 1)["sq"].tolist() == [SLOTS, SLOTS + 1]
    assert ring.find(bid=9, first_sq=0, last_sq=5).size == 0


def test_the_first_record_at_a_time_is_found(flash):
    ring = _open(flash)
    _append(ring, bid=1, sq=0, count=10)
    assert ring.index_at(3500) == 4
    assert ring.index_at(99_000) == 10


def test_numbers_on_a_page_gone_bad_are_named_once(flash):
    ring = _open(flash)
    _append(ring, bid=1, sq=0, count=250)
    ring.free({1: 9})
    flash.spoil(ring.page_of(150))
    assert ring.check() == [Gone(1, SLOTS, 2 * SLOTS - 1)]
    assert ring.check() == []
    assert _open(flash).check() == [Gone(1, SLOTS, 2 * SLOTS - 1)]


def test_a_bad_page_that_was_confirmed_already_is_nobodys_loss(flash):
    ring = _open(flash)
    _append(ring, bid=1, sq=0, count=250)
    ring.free({1: 240})
    flash.spoil(ring.page_of(50))
    assert ring.check() == []


def test_confirmation_passes_over_a_bad_page_when_what_is_behind_is_confirmed(flash):
    ring = _open(flash)
    _append(ring, bid=1, sq=0, count=250)
    flash.spoil(ring.page_of(150))
    ring.check()
    assert ring.free({1: 100}) == 2 * SLOTS
    assert ring.free({1: 249}) == 250


def test_numbers_lost_across_a_reboot_are_named_for_both_boots(flash):
    ring = _open(flash)
    _append(ring, bid=1, sq=0, count=150)
    _append(ring, bid=2, sq=0, count=150)
    flash.spoil(ring.page_of(150))  # 101..149 of the first boot, 0..51 of the second
    assert ring.check() == [Gone(1, SLOTS, 149), Gone(2, 0, 51)]


def test_a_slot_torn_by_a_lost_supply_is_no_loss_of_numbers(flash):
    ring = _open(flash)
    _append(ring, bid=1, sq=0, count=5)
    flash.fail_after(17)
    with pytest.raises(PowerLostError):
        _append(ring, bid=1, sq=5, count=1)
    flash.power()
    again = _open(flash)
    _append(again, bid=2, sq=0, count=5, start_ms=90_000)
    assert again.check() == []
    assert again.read(0, 99)[["bid", "sq"]].tolist() == [(1, k) for k in range(5)] + [
        (2, k) for k in range(5)
    ]
    assert again.free({1: 4, 2: 4}) == again.counts().written


def test_when_the_newest_page_is_gone_what_takes_its_place_is_not_taken_for_confirmed(flash):
    ring = _open(flash)
    _append(ring, bid=1, sq=0, count=150)
    ring.free({1: 149})
    flash.spoil(ring.page_of(149))
    again = _open(flash)
    assert again.counts().freed == again.counts().written == SLOTS
    _append(again, bid=2, sq=0, count=60, start_ms=900_000)
    third = _open(flash)
    assert third.counts().freed == SLOTS
    assert third.read(third.counts().freed, 10**6)["sq"].tolist() == list(range(60))


def test_the_newest_boot_is_known_from_the_samples(flash):
    ring = _open(flash)
    assert ring.newest_bid() == -1
    _append(ring, bid=4, sq=0, count=5)
    _append(ring, bid=7, sq=0, count=5)
    assert ring.newest_bid() == 7


def test_samples_of_somebody_else_can_be_given_up(flash):
    ring = _open(flash)
    _append(ring, bid=4, sq=0, count=5)
    ring.give_up()
    assert _open(flash).counts() == Counts(written=5, freed=5, lost=5)


def test_uptimes_of_earlier_boots_add_up(flash):
    ring = _open(flash)
    for bid, count in ((1, 11), (2, 6), (3, 4)):
        _append(ring, bid=bid, sq=0, count=count)
    assert ring.uptime_since(1, before=3) == 15_000
    assert ring.uptime_since(2, before=3) == 5_000


@settings(max_examples=40, deadline=None)
@given(
    moves=st.lists(
        st.one_of(
            st.tuples(st.just("append"), st.integers(1, 150)),
            st.tuples(st.just("free"), st.integers(0, 1500)),
            st.tuples(st.just("restart"), st.just(0)),
        ),
        max_size=20,
    )
)
def test_a_ring_does_what_a_list_would(moves):
    flash = FailingFlash(6)
    ring = _open(flash)
    written = freed = lost = 0
    for what, number in moves:
        if what == "append":
            _append(ring, bid=1, sq=written, count=number)
            written += number
            begin = max(0, (written - 1) // SLOTS - 3) * SLOTS
            lost += max(0, begin - freed)
            freed = max(freed, begin)
        elif what == "free":
            ring.free({1: number})
            freed = max(freed, min(written, number + 1))
        else:
            ring = _open(flash)
        assert ring.counts() == Counts(written, freed, lost)
        assert ring.read(freed, written)["sq"].tolist() == list(range(freed, written))


def test_not_measured_is_kept_apart_from_zero():
    kept = milli_or_missing(np.array([0.0, np.nan, -12.3456, 1.0005]))
    assert [is_measured(value) for value in kept.tolist()] == [True, False, True, True]
    assert kept[0] == 0
    assert kept[2] == -12346
