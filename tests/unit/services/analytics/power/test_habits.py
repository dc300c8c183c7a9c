import numpy as np
import pytest

from services.analytics.power.charge import drawn_ah, load_a
from services.analytics.power.charging import charging_at
from services.analytics.power.curves import curve_of
from services.analytics.power.frame import frame_of
from services.analytics.power.habits import (
    habit_of,
    next_start_ms,
    sources_ahead,
    sun_ahead_a,
    usual_charge_end_ms,
)
from services.domain import Site
from services.telemetry import Series
from services.timebase import DAY_MS, HOUR_MS, ms_of_iso, utc_day_start_ms
from tests.helpers.made_supply import START_MS, Story, settings_for

MIDNIGHT_MS = utc_day_start_ms(START_MS)


def driven(days=6, drives=((6.0, 8.0),), on_days=lambda _: True, duty=0.5):
    """Return what a log with drives at these UTC hours teaches; 4.2 A at the duty given."""
    t_ms = MIDNIGHT_MS + np.arange(0, days * DAY_MS, 60_000, dtype=np.int64)
    hour = (t_ms - MIDNIGHT_MS) / HOUR_MS
    drive = np.zeros(t_ms.shape, dtype=bool)
    for begin, end in drives:
        drive |= (hour % 24 >= begin) & (hour % 24 < end) & np.array([on_days(int(h // 24)) for h in hour])
    on = (t_ms // 60_000 % 20 < 20 * duty).astype(float)
    series = Series(t_ms, {"compressor_on": on, "battery_v": np.where(drive, 14.2, 12.4)})
    settings = settings_for(Story())
    frame = frame_of(series, settings, None)
    as_of_ms = int(t_ms[-1])
    found = habit_of(
        frame,
        charging_at(frame, curve_of(settings)[0]),
        drawn_ah(frame, load_a(frame, settings)),
        as_of_ms=as_of_ms,
        capacity_ah=100.0,
        soc_now=0.95,
    )
    return found, as_of_ms


def test_a_drive_every_day_is_expected_at_its_hours():
    found, as_of_ms = driven()
    assert found.chance_by_hour[[6, 7]] == pytest.approx([1.0, 1.0])
    assert float(np.sum(found.chance_by_hour)) == pytest.approx(2.0)
    assert next_start_ms(found, as_of_ms) == MIDNIGHT_MS + 6 * DAY_MS + 6 * HOUR_MS


def test_what_went_out_came_back():
    """2.1 A round the clock against two hours of charging: 25 Ah a day in two hours."""
    found, _ = driven()
    assert found.amps == pytest.approx(24 * 2.1 / 2.0, rel=0.2)


def test_a_bank_emptier_than_full_may_have_lived_on_its_charge():
    """The lower end is taken: what the bank could have lost since it was full did not come in."""
    full, _ = driven(duty=0.2)
    found, _ = driven(duty=0.2, days=6)
    assert found.amps == pytest.approx(full.amps)
    t = driven(duty=0.05)[0]
    assert t.amps < full.amps


def test_every_other_day_is_half_a_chance():
    found, _ = driven(on_days=lambda day: day % 2 == 0)
    assert found.chance_by_hour[6] == pytest.approx(0.5, abs=0.11)


def test_two_days_are_no_habit_and_no_charging_is_none():
    assert driven(days=2)[0] is None
    assert driven(drives=())[0] is None


def test_two_drives_a_day_end_at_two_hours():
    ends = np.array(
        [MIDNIGHT_MS + day * DAY_MS + hour * HOUR_MS for day in range(4) for hour in (8, 18)], dtype=np.int64
    )
    morning, evening = (MIDNIGHT_MS + 4 * DAY_MS + hour * HOUR_MS for hour in (8, 18))
    lengths = np.full(ends.shape, 3 * HOUR_MS)
    assert usual_charge_end_ms(ends, lengths, morning - HOUR_MS) == morning
    assert usual_charge_end_ms(ends, lengths, evening - 2 * HOUR_MS) == evening


def test_charging_at_an_unusual_hour_does_not_end_with_the_usual_drive_of_tomorrow():
    ends = MIDNIGHT_MS + np.arange(4, dtype=np.int64) * DAY_MS + 9 * HOUR_MS
    lengths = np.full(ends.shape, 3 * HOUR_MS)
    assert usual_charge_end_ms(ends, lengths, MIDNIGHT_MS + 4 * DAY_MS + 10 * HOUR_MS) is None


def test_charging_with_a_habit_is_expected_to_end_at_its_hour_and_without_one_is_not():
    ends = np.array([START_MS, START_MS + DAY_MS, START_MS + 2 * DAY_MS + 600_000], dtype=np.int64)
    as_of = START_MS + 3 * DAY_MS - 3 * HOUR_MS
    lengths = np.full(ends.shape, 4 * HOUR_MS)
    assert usual_charge_end_ms(ends, lengths, as_of) == START_MS + 3 * DAY_MS
    assert usual_charge_end_ms(ends[:1], lengths[:1], as_of) is None
    scattered = np.array([START_MS, START_MS + DAY_MS + 9 * HOUR_MS], dtype=np.int64)
    assert usual_charge_end_ms(scattered, np.full(2, 20 * HOUR_MS), as_of) is None


def panelled(**place):
    settings = settings_for(Story())
    supply = settings.unit.supply.model_copy(update={"panel_wp": 100.0})
    site = Site(id="camp-1", name="Camp", kind="camp", **place)
    return settings.model_copy(
        update={"unit": settings.unit.model_copy(update={"supply": supply}), "site": site}
    )


def test_the_sun_counts_only_where_the_place_is_known():
    noon = np.array([ms_of_iso("2026-03-20T10:30:00Z")], dtype=np.int64)
    assert sun_ahead_a(panelled(), noon) is None
    amps = sun_ahead_a(panelled(latitude_deg=-19.0, longitude_deg=23.5), noon)
    assert 3.0 < float(amps[0]) < 5.0
    assert sun_ahead_a(settings_for(Story()), noon) is None


def test_sun_and_habit_are_not_counted_twice():
    found, as_of_ms = driven(drives=((9.0, 14.0),))
    settings = panelled(latitude_deg=-19.0, longitude_deg=23.5)
    both = sources_ahead(found, settings, from_ms=as_of_ms, hours=24)
    alone = sources_ahead(None, settings, from_ms=as_of_ms, hours=24)
    habit = sources_ahead(found, settings_for(Story()), from_ms=as_of_ms, hours=24)
    assert both.mean_ah < alone.mean_ah + habit.mean_ah
    assert both.mean_ah >= max(alone.mean_ah, habit.mean_ah)
    assert sources_ahead(None, settings_for(Story()), from_ms=as_of_ms, hours=24) is None
