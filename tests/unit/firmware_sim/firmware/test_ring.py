import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_sim.firmware.ring import Counts, Ring, is_measured, milli_or_missing
from services.errors import ConfigurationError

CHANNELS = ("cabinet", "compressor")


def _open(folder, *, capacity=100, channels=CHANNELS):
    return Ring(folder / "u.ring", channels=channels, capacity=capacity)


def _append(ring, *, bid, sq, count, start_ms=0):
    times = start_ms + 1000 * (sq + np.arange(count, dtype=np.int64))
    values = np.stack([times % 97, times % 2], axis=1).astype(np.int32)
    ring.append(bid=bid, sq=sq, tq=2, t_ms=times, up_ms=times, milli=values)


def test_samples_survive_a_restart(tmp_path):
    ring = _open(tmp_path)
    _append(ring, bid=1, sq=0, count=10)
    ring.free({1: 3})
    before = ring.read(0, 10)
    ring.close()
    again = _open(tmp_path)
    assert again.counts() == Counts(written=10, freed=4, lost=0)
    assert np.array_equal(again.read(0, 10), before)
    again.close()


def test_only_confirmed_samples_are_freed(tmp_path):
    ring = _open(tmp_path)
    _append(ring, bid=1, sq=0, count=10)
    assert ring.free({}) == 0
    assert ring.free({2: 50}) == 0
    assert ring.free({1: 4}) == 5
    assert ring.free({1: 4}) == 5
    assert ring.free({1: 9}) == 10
    ring.close()


def test_nothing_behind_an_unconfirmed_boot_is_freed(tmp_path):
    ring = _open(tmp_path)
    _append(ring, bid=1, sq=0, count=5)
    _append(ring, bid=2, sq=0, count=5, start_ms=10_000)
    assert ring.free({1: 2, 2: 4}) == 3
    assert ring.free({1: 4, 2: 1}) == 7
    ring.close()


def test_a_full_ring_overwrites_the_oldest_and_counts_what_was_lost(tmp_path):
    ring = _open(tmp_path, capacity=8)
    _append(ring, bid=1, sq=0, count=6)
    ring.free({1: 1})
    _append(ring, bid=1, sq=6, count=6)
    assert ring.counts() == Counts(written=12, freed=4, lost=2)
    assert ring.read(0, 12)["sq"].tolist() == list(range(4, 12))
    ring.close()


def test_freed_samples_can_be_found_while_they_last(tmp_path):
    ring = _open(tmp_path, capacity=8)
    _append(ring, bid=1, sq=0, count=6)
    ring.free({1: 5})
    assert ring.find(bid=1, first_sq=2, last_sq=4).tolist() == [2, 3, 4]
    _append(ring, bid=1, sq=6, count=6)
    assert ring.find(bid=1, first_sq=0, last_sq=5).tolist() == [4, 5]
    assert ring.find(bid=9, first_sq=0, last_sq=5).size == 0
    ring.close()


def test_the_first_record_at_a_time_is_found(tmp_path):
    ring = _open(tmp_path)
    _append(ring, bid=1, sq=0, count=10)
    assert ring.index_at(3500) == 4
    assert ring.index_at(99_000) == 10
    ring.close()


def test_a_ring_of_other_channels_is_refused(tmp_path):
    _open(tmp_path).close()
    with pytest.raises(ConfigurationError, match="other channels"):
        _open(tmp_path, channels=("cabinet", "battery", "compressor"))


@settings(max_examples=60, deadline=None)
@given(
    moves=st.lists(
        st.one_of(
            st.tuples(st.just("append"), st.integers(1, 9)), st.tuples(st.just("free"), st.integers(0, 60))
        ),
        max_size=25,
    ),
    capacity=st.integers(3, 20),
)
def test_a_ring_does_what_a_list_would(tmp_path_factory, moves, capacity):
    ring = _open(tmp_path_factory.mktemp("ring"), capacity=capacity)
    written = freed = lost = 0
    for what, number in moves:
        if what == "append":
            _append(ring, bid=1, sq=written, count=number)
            written += number
            lost += max(0, written - capacity - freed)
            freed = max(freed, written - capacity)
        else:
            ring.free({1: number})
            freed = max(freed, min(written, number + 1))
        assert ring.counts() == Counts(written, freed, lost)
        assert ring.read(freed, written)["sq"].tolist() == list(range(freed, written))
    ring.close()


def test_not_measured_is_kept_apart_from_zero():
    kept = milli_or_missing(np.array([0.0, np.nan, -12.3456, 1.0005]))
    assert [is_measured(value) for value in kept.tolist()] == [True, False, True, True]
    assert kept[0] == 0
    assert kept[2] == -12346
