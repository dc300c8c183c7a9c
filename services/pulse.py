"""Signs of life: every process keeps one small file up to date in the data folder.

A file of fixed size that is overwritten in place needs no room, no lock and no flush: it can still say
"the disk is full" when the disk is full and "the records do not answer" when they do not.
"""

import contextlib
import fcntl
import json
import os
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

FOLDER = "signs"
SILENT_AFTER_MS = 15_000
"""How old a sign may be; processes give one a second, long pieces of work aside."""
SIZE = 8_192
"""Bytes of a sign, padded with blanks."""
_READ_TRIES = 20
"""A reader may meet the writer halfway through; two halves that fit as text still differ in their sum."""
_SUM_LENGTH = 9
"""Bytes in front of the text: its CRC-32 as eight hexadecimal digits, and a blank."""


@dataclass(frozen=True, slots=True)
class Sign:
    """What a process last said about itself."""

    part: str
    beat_ms: int
    said: Mapping[str, Any]
    """Numbers and words by name; `trouble` is a sentence while something is wrong."""

    def is_fresh(self, now_ms: int) -> bool:
        """Return whether the process shows life at this moment.

        A sign from the future is from before the clock was set back: whoever lives has given another since.
        """
        return abs(now_ms - self.beat_ms) <= SILENT_AFTER_MS

    @property
    def trouble(self) -> str | None:
        """Return what the process cannot do at the moment."""
        found = self.said.get("trouble")
        return None if found is None else str(found)


class Pulse:
    """The writing side, one for each process."""

    def __init__(self, data: Path, part: str) -> None:
        """Make the file, as long as it will ever be; on a full disk an earlier one is used.

        The file stays locked for as long as the process lives, however it ends: see `running`.
        """
        folder = data / FOLDER
        folder.mkdir(parents=True, exist_ok=True)
        self._part = part
        self._file = os.open(folder / f"{part}.sign", os.O_RDWR | os.O_CREAT, 0o644)
        fcntl.flock(self._file, fcntl.LOCK_SH)
        if os.fstat(self._file).st_size < SIZE:
            os.pwrite(self._file, b" " * SIZE, 0)

    def beat(self, now_ms: int, said: Mapping[str, Any] | None = None) -> None:
        """Show life, and what there is to say."""
        text = json.dumps({"beat_ms": now_ms, "pid": os.getpid(), **(said or {})}).encode()
        if len(text) + _SUM_LENGTH > SIZE:
            raise ValueError(f"a sign of {len(text)} bytes is too long")
        text = _sum_of(text) + text
        with contextlib.suppress(OSError):  # a sign that cannot be written is missing, which is a sign too
            os.pwrite(self._file, text.ljust(SIZE), 0)

    def close(self) -> None:
        """Let go of the file; the last sign stays."""
        os.close(self._file)


def signs(data: Path) -> dict[str, Sign]:
    """Return the newest sign of every process that ever ran on a data folder."""
    found = (_sign_of(file) for file in sorted((data / FOLDER).glob("*.sign")))
    return {sign.part: sign for sign in found if sign is not None}


def running(data: Path) -> list[str]:
    """Return the processes that work on a data folder at this moment, whatever they last said."""
    found = []
    for file in sorted((data / FOLDER).glob("*.sign")):
        with file.open("rb") as sign:
            try:
                fcntl.flock(sign, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                found.append(file.stem)
    return found


def _sum_of(text: bytes) -> bytes:
    return b"%08x " % zlib.crc32(text)


def _sign_of(file: Path) -> Sign | None:
    for _ in range(_READ_TRIES):
        try:
            whole = file.read_bytes()
            text = whole[_SUM_LENGTH:].rstrip()
            if whole[:_SUM_LENGTH] != _sum_of(text):
                continue
            said = json.loads(text)
            return Sign(file.stem, int(said.pop("beat_ms")), said)
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            continue
    return None
