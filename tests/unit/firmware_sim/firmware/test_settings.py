from dataclasses import replace

import pytest

from firmware_sim.firmware.settings import Settings, SettingsStore
from tests.helpers.flash import FailingFlash, PowerLostError

PLAIN = Settings(
    "cart-meat",
    ("cabinet", "compressor"),
    60,
    bid=3,
    clock_off_ms=None,
    unset_boots=((2, 5_000), (3, 9_000)),
    correlations=("ab" * 16,) * 32,
)


def _store(flash):
    return SettingsStore(flash, pages=(0, 1))


def test_a_new_unit_has_none():
    store = _store(FailingFlash(2))
    assert store.settings is None
    assert not store.spoilt


def test_settings_outlive_a_restart():
    flash = FailingFlash(2)
    store = _store(flash)
    for bid in range(5):
        store.write(replace(PLAIN, bid=bid))
    assert _store(flash).settings == replace(PLAIN, bid=4)


def test_power_lost_at_any_byte_leaves_the_old_or_the_new():
    flash = FailingFlash(2)
    _store(flash).write(PLAIN)
    before = bytes(flash.cells)
    flash.used = 0
    fresh = replace(PLAIN, bid=4)
    _store(flash).write(fresh)
    seen = set()
    for stop in range(flash.used):
        flash.cells[:] = before
        flash.fail_after(stop)
        with pytest.raises(PowerLostError):
            _store(flash).write(fresh)
        flash.power()
        found = _store(flash).settings
        assert found in {PLAIN, fresh}
        seen.add(found.bid)
    assert seen <= {3, 4}


def test_one_page_gone_bad_is_survived_with_the_settings_before():
    flash = FailingFlash(2)
    store = _store(flash)
    store.write(PLAIN)
    store.write(replace(PLAIN, bid=4))
    flash.spoil(1)
    assert _store(flash).settings == PLAIN
    assert _store(flash).doubtful
    assert not _store(flash).spoilt


def test_both_pages_gone_bad_is_known():
    flash = FailingFlash(2)
    _store(flash).write(PLAIN)
    flash.spoil(0)
    flash.spoil(1)
    store = _store(flash)
    assert store.settings is None
    assert store.spoilt


def test_settings_that_do_not_fit_are_refused():
    with pytest.raises(ValueError, match="do not fit"):
        _store(FailingFlash(2)).write(replace(PLAIN, correlations=("ab" * 16,) * 200))
