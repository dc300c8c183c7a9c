"""What is due as files: a calendar (RFC 5545) and a table (RFC 4180)."""

from collections.abc import Sequence
from datetime import UTC

from icalendar import Calendar, Event, vText

from dashboards import text
from dashboards.duelist import KINDS, DueItem, PlaceDue, carry_words
from dashboards.jobwords import parts_words
from dashboards.language import Lines, _
from services.timebase import datetime_of

DOMAIN = "bushlarder"
"""Behind the ``@`` of every entry's name, as RFC 5545, 3.8.4.7 recommends a place of origin."""
HEADS = Lines("Due", "Place", "Unit", "Kind", "What", "Why", "Job", "Parts to take", "Leaves next")


def calendar_bytes(items: Sequence[DueItem], places: Sequence[PlaceDue], *, now_ms: int) -> bytes:
    """Return what has a date, and departures, as a calendar.

    Events of whole days rather than to-dos: calendars of phones show those, many leave to-dos out. A day
    is the one of the place, without a zone (RFC 5545, 3.3.4), so that no clock moves it; it blocks no
    time (3.8.2.7). Entries keep their name, so that a calendar fetched again replaces them.
    """
    calendar = Calendar()
    calendar.add("prodid", "-//Bushlarder//Workshop//EN")
    calendar.add("version", "2.0")
    for place in places:
        if place.departure is not None:
            calendar.add_component(_departure(place, now_ms))
    for item in items:
        if item.due_ms is not None:
            calendar.add_component(_item(item, now_ms))
    made: bytes = calendar.to_ical()
    return made


def _event(key: str, summary: str, now_ms: int) -> Event:
    event = Event()
    event.add("uid", f"{key}@{DOMAIN}")
    event.add("dtstamp", datetime_of(now_ms))
    event.add("summary", summary)
    return event


def _item(item: DueItem, now_ms: int) -> Event:
    event = _event(item.key, f"{item.name}: {item.what}", now_ms)
    event.add("dtstart", item.day)
    event.add("transp", "TRANSPARENT")
    event.add("location", vText(item.place))
    told = [item.why]
    if item.parts:
        told.append(_("Take along: %(parts)s.", parts=parts_words(item.parts)))
    event.add("description", "\n".join(told))
    event.add("categories", [KINDS[item.kind]])
    return event


def _departure(place: PlaceDue, now_ms: int) -> Event:
    leaving, site = place.departure, place.site
    if leaving is None or site is None:
        raise ValueError("a departure without its place")
    event = _event(f"departure-{site.id}", _("%(place)s leaves", place=site.name), now_ms)
    event.add("dtstart", datetime_of(leaving.leaves))
    event.add("location", vText(site.name))
    told = [f"{item.name}: {item.what}" for item in place.before]
    told.append(_("Take along: %(parts)s.", parts=carry_words(place.carry)))
    event.add("description", "\n".join(told))
    return event


def due_rows(items: Sequence[DueItem], places: Sequence[PlaceDue]) -> list[list[str]]:
    """Return everything due as rows, what has no date with the reason in its place."""
    leaving = {
        place.site.id: text.stamp(place.departure.leaves, place.site.zone)
        for place in places
        if place.site is not None and place.departure is not None
    }
    return [
        [
            item.no_date if item.day is None else item.day.isoformat(),
            item.place,
            f"{item.name} ({item.unit})",
            KINDS[item.kind],
            item.what,
            item.why,
            "" if item.job is None else str(item.job),
            parts_words(item.parts),
            leaving.get(item.site or "", ""),
        ]
        for item in items
    ]


def file_name(now_ms: int) -> str:
    """Return what such a file is called, without its ending."""
    return f"due_{text.stamp(now_ms, UTC)[:10]}"
