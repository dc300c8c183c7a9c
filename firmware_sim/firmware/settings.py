"""The few things a unit must remember whatever happens, kept twice on flash with a checksum."""

import json
import struct
import zlib
from dataclasses import asdict, dataclass

from firmware_sim.firmware.flash import PAGE_BYTES, Flash

_HEAD = struct.Struct("<4sIII")
"""Mark, generation, length of the text, checksum."""
_MARK = b"bs01"


@dataclass(frozen=True)
class Settings:
    """What is remembered."""

    unit: str
    channels: tuple[str, ...]
    interval_s: int
    bid: int = 0
    boot_ms: int = 0
    """When it began, by the counter the board takes its uptime from. [ms]"""
    met: bool = False
    """Whether the service was met since this memory began: before that it may know boots we do not."""
    clock_off_ms: int | None = 0
    """What a clock with its own battery is ahead of that counter; None when it was lost and never set again.
    Stands for the clock itself: a board reads it there. [ms]"""
    unset_boots: tuple[tuple[int, int], ...] = ()
    """Number and beginning, by the counter, of boots since the clock was lost that did not know the time."""
    correlations: tuple[str, ...] = ()
    """Correlation data of the commands obeyed last, as hexadecimal text."""


class SettingsStore:
    """Two pages written in turn: power lost while one is written leaves the other."""

    def __init__(self, flash: Flash, *, pages: tuple[int, int]) -> None:
        """Look at both pages."""
        self._flash = flash
        self._pages = pages
        found = [self._at(place) for place in (0, 1)]
        kept = [(*each, place) for place, each in enumerate(found) if each is not None]
        self.doubtful = any(each is None and self._written(place) for place, each in enumerate(found))
        """Whether one page is not whole: a write that was interrupted, or storage gone bad after it."""
        self.spoilt = self.doubtful and not kept
        """Whether something was written and nothing of it is whole."""
        self.settings: Settings | None = None
        self._generation, self._place = 0, 1
        if kept:
            self._generation, self.settings, self._place = max(kept, key=lambda each: each[0])

    def write(self, settings: Settings) -> None:
        """Keep settings; when this returns they are there for good, before that the former ones are."""
        text = json.dumps(asdict(settings), separators=(",", ":")).encode()
        if len(text) > PAGE_BYTES - _HEAD.size:
            raise ValueError("the settings do not fit on a page")
        place = 1 - self._place
        page = self._pages[place]
        head = _HEAD.pack(_MARK, self._generation + 1, len(text), 0)[:-4]
        self._flash.erase(page)
        self._flash.program(page * PAGE_BYTES, head + struct.pack("<I", zlib.crc32(head + text)) + text)
        self._generation, self._place, self.settings = self._generation + 1, place, settings

    def _written(self, place: int) -> bool:
        return self._flash.read(self._pages[place] * PAGE_BYTES, 1) != b"\xff"

    def _at(self, place: int) -> tuple[int, Settings] | None:
        """Return generation and settings of a page, None when it is not whole."""
        raw = self._flash.read(self._pages[place] * PAGE_BYTES, PAGE_BYTES)
        mark, generation, size, check = _HEAD.unpack_from(raw)
        text = raw[_HEAD.size : _HEAD.size + size]
        if mark != _MARK or zlib.crc32(raw[: _HEAD.size - 4] + text) != check:
            return None
        plain = json.loads(text)
        for name in ("channels", "correlations"):
            plain[name] = tuple(plain[name])
        plain["unset_boots"] = tuple((int(bid), int(ms)) for bid, ms in plain.get("unset_boots", ()))
        return int(generation), Settings(**plain)
