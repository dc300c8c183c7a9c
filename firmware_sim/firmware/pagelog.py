"""A log of fixed-size records on flash that no loss of power can confuse.

Pages are filled one after the other and numbered; when all are full the oldest is erased. Page `number`
lies in place ``number % pages`` and holds the records from ``number * slots`` on, so that the index of a
record never changes and never comes twice. Every record ends in a checksum over itself and its index.

- Power lost while a record is programmed leaves a slot whose checksum is wrong: the slot is passed over.
- Power lost while a page is erased: its new head is not written yet, so it is erased again. What is left of
  its old records is whole by its checksum or not there.
- A slot or page that went bad later is found by its checksum, and reads as not there.
"""

import struct
import zlib
from dataclasses import dataclass

from firmware_sim.firmware.flash import ERASED, PAGE_BYTES, Flash

HEAD = struct.Struct("<4sIQI")
"""Mark, record size, page number, checksum."""
MARK = b"bl01"
HEAD_BYTES = 32
CHECK_BYTES = 4
FEWEST_PAGES = 2


@dataclass(frozen=True, slots=True)
class Found:
    """A whole record and where it lies."""

    index: int
    body: bytes


class PageLog:
    """Records of `record_bytes` each on the pages ``[first_page, first_page + pages)`` of a flash."""

    def __init__(self, flash: Flash, *, first_page: int, pages: int, record_bytes: int) -> None:
        """Read what is there; nothing is written before the first `append`."""
        if pages < FEWEST_PAGES:
            raise ValueError("a log needs two pages, so that one may be erased")
        self._flash = flash
        self._first_page = first_page
        self._pages = pages
        self._slot_bytes = record_bytes + CHECK_BYTES
        self.record_bytes = record_bytes
        self.slots = (PAGE_BYTES - HEAD_BYTES) // self._slot_bytes
        """Records to a page."""
        numbers = [number for place in range(pages) if (number := self._head_at(place)) is not None]
        self._good = set(numbers)
        self._newest = max(numbers, default=-1)
        self.end = 0
        """Index the next record gets."""
        if self._newest >= 0:
            self.end = self._newest * self.slots + self._used(self._newest)

    @property
    def begin(self) -> int:
        """Index of the oldest record there is room for at present."""
        return max(0, self._newest - self._pages + 1) * self.slots

    def append(self, bodies: list[bytes]) -> int:
        """Keep records, in order; when this returns they are there for good. Returns the index after them."""
        at = 0
        while at < len(bodies):
            number, slot = divmod(self.end, self.slots)
            if number not in self._good:
                self._open(number)
            some = bodies[at : at + self.slots - slot]
            slots = b"".join(self._slot(self.end + k, body) for k, body in enumerate(some))
            self._flash.program(self._address(self.end), slots)
            self.end += len(some)
            at += len(some)
        return self.end

    def read(self, start: int, end: int) -> list[Found]:
        """Return the whole records of ``[start, end)``; what is torn, bad or overwritten is left out."""
        found: list[Found] = []
        index, end = max(start, self.begin), min(end, self.end)
        while index < end:
            number = index // self.slots
            upto = min(end, (number + 1) * self.slots)
            if number in self._good:
                found += self._whole(index, self._slots_at(index, upto - index))
            index = upto
        return found

    def bad_slots(self, start: int, end: int) -> list[tuple[int, int]]:
        """Return the stretches of indexes ``[from, to)`` below `end` that hold no whole record."""
        start = max(start, self.begin)
        stretches: list[tuple[int, int]] = []
        before = start - 1
        for index in [*(each.index for each in self.read(start, end)), min(end, self.end)]:
            if index > before + 1:
                stretches.append((before + 1, index))
            before = index
        return stretches

    def check_heads(self) -> None:
        """Look at the heads of all pages again and forget those that went bad."""
        self._good = {
            number for place in range(self._pages) if (number := self._head_at(place)) is not None
        } & self._good

    def page_of(self, index: int) -> int:
        """Return the page of the flash a record lies on."""
        return self._first_page + index // self.slots % self._pages

    def _open(self, number: int) -> None:
        """Make a page ready: erase it whole, then write its head."""
        place = number % self._pages
        base = (self._first_page + place) * PAGE_BYTES
        self._good -= {each for each in self._good if each % self._pages == place}
        self._flash.erase(self._first_page + place)
        head = HEAD.pack(MARK, self.record_bytes, number, 0)[:-CHECK_BYTES]
        self._flash.program(base, head + struct.pack("<I", zlib.crc32(head)))
        self._good.add(number)
        self._newest = max(self._newest, number)

    def _head_at(self, place: int) -> int | None:
        """Return the number of the page in a place, None when there is none or it is not whole."""
        raw = self._flash.read((self._first_page + place) * PAGE_BYTES, HEAD.size)
        mark, size, number, check = HEAD.unpack(raw)
        if mark != MARK or size != self.record_bytes or number % self._pages != place:
            return None
        return int(number) if check == zlib.crc32(raw[:-CHECK_BYTES]) else None

    def _used(self, number: int) -> int:
        """Return how many slots of a page are not erased, counted to the last such one."""
        raw = self._flash.read(self._address(number * self.slots), self.slots * self._slot_bytes)
        return -(-len(raw.rstrip(bytes([ERASED]))) // self._slot_bytes)

    def _address(self, index: int) -> int:
        number, slot = divmod(index, self.slots)
        page = self._first_page + number % self._pages
        return page * PAGE_BYTES + HEAD_BYTES + slot * self._slot_bytes

    def _slots_at(self, index: int, count: int) -> bytes:
        return self._flash.read(self._address(index), count * self._slot_bytes)

    def _slot(self, index: int, body: bytes) -> bytes:
        return body + struct.pack("<I", _check(index, body))

    def _whole(self, index: int, raw: bytes) -> list[Found]:
        size, found = self._slot_bytes, []
        for k in range(len(raw) // size):
            body = raw[k * size : (k + 1) * size - CHECK_BYTES]
            check = raw[(k + 1) * size - CHECK_BYTES : (k + 1) * size]
            if struct.pack("<I", _check(index + k, body)) == check:
                found.append(Found(index + k, body))
        return found


def _check(index: int, body: bytes) -> int:
    """Return the checksum of a record; the index in it keeps a record from being taken for another."""
    return zlib.crc32(body, index & 0xFFFFFFFF)
