from firmware_sim.firmware.timekeeping import (
    HOLDOVER,
    HOLDOVER_AFTER_MS,
    STEP_OVER_MS,
    SYNCHRONISED,
    UNSET,
    Timekeeper,
)

NOON_MS = 1_760_000_000_000


def test_an_unset_clock_counts_uptime_and_says_so():
    clock = Timekeeper()
    assert (clock.at(5000), clock.quality(5000), clock.is_set) == (5000, UNSET, False)


def test_setting_it_is_no_step_and_dates_the_boot():
    clock = Timekeeper()
    assert clock.hear(NOON_MS, 60_000) is None
    assert clock.boot_at_ms == NOON_MS - 60_000
    assert clock.at(90_000) == NOON_MS + 30_000
    assert clock.quality(90_000) == SYNCHRONISED


def test_after_a_day_without_the_network_it_is_held_over():
    clock = Timekeeper()
    clock.hear(NOON_MS, 0)
    assert clock.quality(HOLDOVER_AFTER_MS) == SYNCHRONISED
    assert clock.quality(HOLDOVER_AFTER_MS + 1) == HOLDOVER


def test_a_kept_clock_nobody_confirmed_is_held_over():
    assert Timekeeper(boot_at_ms=NOON_MS).quality(0) == HOLDOVER


def test_a_difference_beyond_drift_is_a_step_either_way():
    for step_ms in (STEP_OVER_MS + 1, -STEP_OVER_MS - 1):
        clock = Timekeeper(boot_at_ms=NOON_MS)
        assert clock.hear(NOON_MS + 1000 + step_ms, 1000) == step_ms
        assert clock.at(1000) == NOON_MS + 1000 + step_ms


def test_drift_is_left_alone():
    clock = Timekeeper(boot_at_ms=NOON_MS)
    assert clock.hear(NOON_MS + STEP_OVER_MS, 0) is None
    assert clock.at(0) == NOON_MS
