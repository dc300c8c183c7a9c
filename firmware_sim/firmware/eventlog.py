"""Events on flash until the broker has them: they are few, and they tell what no sample can."""

import struct
import threading

from firmware_sim.firmware.flash import Flash
from firmware_sim.firmware.pagelog import PageLog
from services.telemetry.messages import Event

RECORD_BYTES = 312
DETAIL_CHARACTERS = 120
"""Longer ones are cut; every event then fits, whatever its characters take as bytes."""
_MARK = struct.Struct("<Q")


class EventLog:
    """Events in order; the oldest give way when there is no more room."""

    def __init__(self, flash: Flash, *, mark_pages: tuple[int, int], pages: tuple[int, int]) -> None:
        """Find out what is kept; `mark_pages` and `pages` are first page and number of pages."""
        self._lock = threading.Lock()
        self._log = PageLog(flash, first_page=pages[0], pages=pages[1], record_bytes=RECORD_BYTES)
        self._marks = PageLog(flash, first_page=mark_pages[0], pages=mark_pages[1], record_bytes=_MARK.size)
        found = self._marks.read(self._marks.begin, self._marks.end)
        self._sent = min(_MARK.unpack(found[-1].body)[0], self._log.end) if found else 0

    def add(self, events: list[Event]) -> None:
        """Keep events."""
        bodies = [_body(event) for event in events]
        with self._lock:
            self._log.append(bodies)

    def waiting(self, most: int = 50) -> list[tuple[int, Event]]:
        """Return the oldest events the broker does not have, each with its index."""
        with self._lock:
            found = self._log.read(self._sent, self._log.end)[:most]
        return [(each.index, Event.model_validate_json(each.body.rstrip(b"\0"))) for each in found]

    def sent(self, index: int) -> None:
        """Take note that the broker has everything up to an index, inclusive."""
        with self._lock:
            if index >= self._sent:
                self._sent = index + 1
                self._marks.append([_MARK.pack(self._sent)])


def _body(event: Event) -> bytes:
    if event.detail is not None:
        event = event.model_copy(update={"detail": event.detail[:DETAIL_CHARACTERS]})
    text = event.to_json()
    if len(text) > RECORD_BYTES:
        text = event.model_copy(update={"detail": None}).to_json()
    return text.ljust(RECORD_BYTES, b"\0")
