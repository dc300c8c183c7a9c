import pytest

from services.box import MB, Box, Room, growth_bytes_day, noted_size
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS


def test_room_is_enough_above_the_reserve_only():
    assert Room(free_bytes=11 * MB, total_bytes=100 * MB, reserve_bytes=10 * MB).enough
    assert not Room(free_bytes=10 * MB, total_bytes=100 * MB, reserve_bytes=10 * MB).enough
    assert Room(free_bytes=1, total_bytes=100 * MB, reserve_bytes=0).enough


def test_sizes_count_what_is_not_folded_in_yet(tmp_path):
    (tmp_path / "telemetry.db").write_bytes(b"x" * 100)
    (tmp_path / "telemetry.db-wal").write_bytes(b"x" * 23)
    box = Box(tmp_path, reserve_mb=2)
    assert box.sizes() == {"telemetry": 123, "records": 0, "ledger": 0}
    assert box.room().reserve_bytes == 2 * MB
    assert 0 < box.room().free_bytes <= box.room().total_bytes


def test_growth_is_that_of_the_last_day_and_unknown_at_first():
    sizes = []
    for minute in range(0, 3 * 24 * 60, 7):
        sizes = noted_size(sizes, minute * MINUTE_MS, minute * 1000)
    now_ms = minute * MINUTE_MS
    assert len(sizes) <= 25
    assert now_ms - sizes[0][0] <= DAY_MS + HOUR_MS
    assert growth_bytes_day(sizes, now_ms, minute * 1000) == pytest.approx(1440 * 1000)
    assert growth_bytes_day([], 0, 0) is None
    assert growth_bytes_day([(0, 0)], HOUR_MS - 1, 500) is None
    assert growth_bytes_day([(0, 0)], HOUR_MS, 500) == 12_000


def test_sizes_from_before_a_clock_was_set_back_are_forgotten():
    assert noted_size([(10 * HOUR_MS, 5)], 2 * HOUR_MS, 6) == [(2 * HOUR_MS, 6)]
