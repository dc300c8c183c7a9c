from datetime import time

from services.domain.trip import Drive
from services.timebase import DAY_MS, iso_of
from tests.helpers.trips import trip


def test_a_trip_starts_by_the_clock_of_its_zone_and_ends_at_noon_after_the_last_night():
    found = trip(nights=3)
    assert iso_of(found.starts_ms).startswith("2026-10-12T10:00:00")
    assert found.ends_ms - found.starts_ms == 3 * DAY_MS


def test_a_spell_without_days_is_every_day():
    every = Drive(at=time(6), lasts_h=1)
    some = Drive(days=(2,), at=time(6), lasts_h=1)
    assert every.on(1)
    assert every.on(9)
    assert [some.on(day) for day in (1, 2, 3)] == [False, True, False]


def test_the_settings_of_a_cabinet_know_its_bank_and_name_what_was_assumed():
    found = trip()
    settings = found.settings_of(found.units[0])
    assert settings.bank is not None
    assert settings.bank.capacity_ah == 100
    assert settings.cutout_v == 11.0
    assert settings.assumed == ("rules za-r638-2018",)
