"""The files of what is due, read back: the calendar by RFC 5545 (2009), the table by RFC 4180 (2005)."""

import csv
import io
import re
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from icalendar import Calendar

from dashboards.duelist import DueItem, PlaceDue
from dashboards.pages.tables import csv_table
from dashboards.reports.duefile import HEADS, calendar_bytes, due_rows
from services.domain import Departure, Part, Site
from services.timebase import DAY_MS, ms_of_iso

NOW_MS = ms_of_iso("2026-03-04T15:05:00Z")
KIRITIMATI = ZoneInfo("Pacific/Kiritimati")
"""Fourteen hours ahead of UTC: the day there is another than here for most of the day."""
LONG = (
    "Measure the drop from battery to unit, then; feel plugs, joints, fuse holder: ça chauffe, 20 °C \\ more"
)


def item(key="job-1-7", **changes):
    told = {
        "key": key,
        "kind": "job",
        "unit": "v3-meat",
        "name": "Meat chest",
        "site": "vehicle-3",
        "place": "Vehicle 3; north, east",
        "zone": KIRITIMATI,
        "work": "wiring",
        "what": "Job 1",
        "why": LONG,
        "due_ms": ms_of_iso("2026-03-05T11:30:00Z"),
        "no_date": "",
        "parts": (Part(what="fuse, 15 A", count=2),),
        "job": 1,
    }
    return DueItem(**{**told, **changes})


ITEMS = [item(), item("service-x", kind="service", due_ms=None, no_date="never recorded", job=None, parts=())]
SITE = Site(id="vehicle-3", name="Vehicle 3", kind="vehicle", timezone="Pacific/Kiritimati")
LEAVES = Departure(site="vehicle-3", leaves=NOW_MS + DAY_MS, who="Petra W.", said=NOW_MS)
PLACES = [PlaceDue(SITE, LEAVES, tuple(ITEMS[:1]), (), (), ITEMS[0].parts)]


@pytest.fixture(scope="module")
def raw():
    return calendar_bytes(ITEMS, PLACES, now_ms=NOW_MS)


@pytest.fixture(scope="module")
def events(raw):
    return Calendar.from_ical(raw).walk("VEVENT")


def test_lines_end_and_fold_as_section_3_1_says(raw):
    # 3.1: lines are delimited by CRLF; a line SHOULD NOT be longer than 75 octets, folded before a space
    lines = raw.split(b"\r\n")
    assert lines[-1] == b""
    assert b"\n" not in raw.replace(b"\r\n", b"")
    assert max(map(len, lines)) <= 75
    folded = [line for line in lines if line.startswith(b" ")]
    assert folded
    assert LONG.split(";", maxsplit=1)[0] in raw.replace(b"\r\n ", b"").decode().replace("\\,", ",")


def test_a_calendar_names_its_maker_and_version(raw):
    # 3.6, 3.7.3 and 3.7.4: PRODID and VERSION are required
    calendar = Calendar.from_ical(raw)
    assert calendar["version"] == "2.0"
    assert calendar["prodid"]


def test_every_event_has_a_name_that_stays_and_a_stamp_in_utc(raw, events):
    # 3.8.4.7: UID, persistent and unique; 3.8.7.2: DTSTAMP in UTC; both required by 3.6.1
    names = [str(event["uid"]) for event in events]
    assert sorted(names) == ["departure-vehicle-3@bushlarder", "job-1-7@bushlarder"]
    assert re.findall(rb"DTSTAMP:(\d{8}T\d{6}Z)\r\n", raw) == [b"20260304T150500Z"] * 2
    later = calendar_bytes(ITEMS, PLACES, now_ms=NOW_MS + DAY_MS)
    assert [str(e["uid"]) for e in Calendar.from_ical(later).walk("VEVENT")] == names


def test_a_due_day_is_the_day_of_its_place_without_a_zone(raw, events):
    # 3.3.4: DATE; 3.6.1: an event with a DATE start and no end lasts that day. 01:30 on 6 March there.
    due = next(e for e in events if str(e["uid"]).startswith("job"))
    assert due.decoded("dtstart") == date(2026, 3, 6)
    assert b"DTSTART;VALUE=DATE:20260306\r\n" in raw
    assert "DTEND" not in due
    assert due["transp"] == "TRANSPARENT"  # 3.8.2.7: takes nobody's time


def test_a_departure_is_a_moment(events):
    # 3.3.5, form 2: UTC
    leaves = next(e for e in events if str(e["uid"]).startswith("departure"))
    assert leaves.decoded("dtstart") == datetime(2026, 3, 5, 15, 5, tzinfo=UTC)
    assert "2 × fuse, 15 A" in str(leaves["description"])  # noqa: RUF001 - how many times


def test_words_come_back_as_they_were_written(raw, events):
    # 3.3.11: backslash, semicolon and comma are escaped, a line's end is written as \n
    due = next(e for e in events if str(e["uid"]).startswith("job"))
    assert str(due["description"]).splitlines()[0] == LONG
    assert str(due["location"]) == "Vehicle 3; north, east"
    unfolded = raw.replace(b"\r\n ", b"")
    assert rb"LOCATION:Vehicle 3\; north\, east" in unfolded
    assert rb"\\ more\nTake along" in unfolded


def test_what_has_no_date_is_in_no_calendar_but_in_the_table(events):
    assert not any("service" in str(event["uid"]) for event in events)
    rows = due_rows(ITEMS, PLACES)
    assert rows[1][0] == "never recorded"


def test_the_table_is_as_rfc_4180_has_it():
    # section 2: CRLF after each record (1), a header (3), as many fields each (4), quotes where needed (6, 7)
    made = csv_table(list(HEADS), due_rows(ITEMS, PLACES)).removeprefix(b"\xef\xbb\xbf")
    assert made.endswith(b"\r\n")
    assert b"\n" not in made.replace(b"\r\n", b"")
    rows = list(csv.reader(io.StringIO(made.decode(), newline=""), strict=True))
    assert {len(row) for row in rows} == {len(HEADS)}
    assert rows[1][:3] == ["2026-03-06", "Vehicle 3; north, east", "Meat chest (v3-meat)"]
    assert rows[1][5] == LONG
    assert b'"Vehicle 3; north, east"' in made
