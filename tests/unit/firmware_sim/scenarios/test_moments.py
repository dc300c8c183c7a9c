from zoneinfo import ZoneInfo

import pytest

from firmware_sim.scenarios.model import Moment
from firmware_sim.scenarios.moments import begins_ms, offset_h
from services.timebase import HOUR_MS, ms_of_iso

ANCHOR_MS = ms_of_iso("2026-03-10T12:00:00Z")
HARARE, BERLIN = ZoneInfo("Africa/Harare"), ZoneInfo("Europe/Berlin")


def test_hours_and_days_before_count_alike():
    by_hours = begins_ms(Moment(begins_h_before=36.0), anchor_ms=ANCHOR_MS, zone=HARARE)
    by_days = begins_ms(Moment(begins_d_before=1.5), anchor_ms=ANCHOR_MS, zone=HARARE)
    assert by_hours == by_days == ANCHOR_MS - 36 * HOUR_MS


@pytest.mark.parametrize(("at_h", "utc"), [(14.0, "2026-03-10T12:00:00Z"), (15.0, "2026-03-09T13:00:00Z")])
def test_at_h_is_the_last_such_local_hour_at_least_that_long_before(at_h, utc):
    moment = Moment(begins_h_before=0.0, at_h=at_h)
    assert begins_ms(moment, anchor_ms=ANCHOR_MS, zone=HARARE) == ms_of_iso(utc)


def test_clocks_that_change_are_followed():
    assert offset_h(BERLIN, ms_of_iso("2026-01-10T00:00:00Z")) == 1.0
    assert offset_h(BERLIN, ms_of_iso("2026-07-10T00:00:00Z")) == 2.0
