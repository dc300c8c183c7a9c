"""Sunrise and sunset against published tables."""

from datetime import date

import pytest

from services.domain import Site
from services.notify.suntimes import sun_times
from services.timebase import MINUTE_MS, ms_of_iso

pytestmark = pytest.mark.outside

GREENWICH = Site(
    id="green", name="Green", kind="camp", timezone="Europe/London", latitude_deg=51.5, longitude_deg=-0.1
)
PUBLISHED = {
    date(2026, 6, 21): ("2026-06-21T04:43", "2026-06-21T21:21"),
    date(2026, 12, 21): ("2026-12-21T08:04", "2026-12-21T15:53"),
}
"""Local times at London on the solstices: tables of sunrise and sunset of the Astronomical Applications
Department, U.S. Naval Observatory, to a minute (from memory). Years differ by less than a minute."""
WITHIN_MIN = 3.0


@pytest.mark.parametrize("day", PUBLISHED)
def test_the_sun_rises_and_sets_when_published_tables_say(day):
    found = sun_times(GREENWICH, day)
    for at_ms, published in zip(found, PUBLISHED[day], strict=True):
        off_min = abs(at_ms - ms_of_iso(published, zone=GREENWICH.zone)) / MINUTE_MS
        assert off_min <= WITHIN_MIN
