import numpy as np
import pytest

from firmware_sim.firmware.noticing import START_FAILED_EVERY_MS, Noticer

TIMES = 60_000 * np.arange(1, 11, dtype=np.int64)


@pytest.fixture
def told():
    return []


@pytest.fixture
def noticer(told):
    return Noticer(
        ("cabinet", "bank"),
        lambda kind, at_ms, channel=None, detail=None: told.append((kind, at_ms, channel, detail)[:3]),
    )


def test_a_probe_missing_from_the_first_sample_on_is_told(noticer, told):
    noticer.sensors(TIMES, np.full((10, 2), np.nan))
    noticer.sensors(TIMES + 600_000, np.full((10, 2), np.nan))
    assert told == [("sensor_failed", 60_000, "cabinet")]


def test_what_never_answered_is_not_missed(noticer, told):
    noticer.sensors(TIMES, np.stack([np.ones(10), np.full(10, np.nan)], axis=1))
    assert told == []


def test_what_has_answered_is_missed(noticer, told):
    bank_v = np.where(np.arange(10) < 4, 12.0, np.nan)
    noticer.sensors(TIMES, np.stack([np.ones(10), bank_v], axis=1))
    noticer.sensors(TIMES + 600_000, np.ones((10, 2)))
    assert told == [("sensor_failed", 300_000, "bank"), ("sensor_back", 660_000, "bank")]


def test_what_is_silent_after_a_boot_is_told_again(noticer, told):
    for _ in range(2):
        noticer.booted()
        noticer.sensors(TIMES, np.full((10, 2), np.nan))
    assert len(told) == 2


def test_failed_starts_are_told_at_most_every_ten_minutes(noticer, told):
    noticer.starts(TIMES, np.arange(1, 11))
    noticer.starts(TIMES + START_FAILED_EVERY_MS, np.full(10, 10))
    assert told == [("start_failed", 60_000, None)]
