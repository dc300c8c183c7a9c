"""Storage as a board has it: pages erased whole and programmed once, and power that may fail in between."""

import mmap
import random
from pathlib import Path
from typing import Protocol

PAGE_BYTES = 4096
ERASED = 0xFF


class Flash(Protocol):
    """What a board must provide; power may fail inside `program` and `erase` at any byte."""

    @property
    def pages(self) -> int:
        """How many pages there are, of `PAGE_BYTES` each."""

    def read(self, at: int, size: int) -> bytes:
        """Return bytes; erased ones read 0xff."""

    def program(self, at: int, data: bytes) -> None:
        """Turn ones into zeros where `data` has zeros, in order of address."""

    def erase(self, page: int) -> None:
        """Turn a whole page into ones."""

    def close(self) -> None:
        """Release the device."""


class FileFlash:
    """Flash kept in a file, so that it outlives the program.

    The file holds the complement of the flash, and so what is erased takes no room on disk.
    What is programmed lies in the system's file cache when the call returns: it outlives the program, as
    flash behind a capacitor outlives the supply.
    """

    def __init__(self, path: Path, *, pages: int) -> None:
        size = pages * PAGE_BYTES
        if not path.exists():
            with path.open("wb") as file:
                file.truncate(size)
        self._file = path.open("r+b")
        if path.stat().st_size != size:
            self._file.close()
            raise ValueError(f"{path.name} has another size")
        self._map = mmap.mmap(self._file.fileno(), 0)

    @property
    def pages(self) -> int:
        """See `Flash`."""
        return len(self._map) // PAGE_BYTES

    def read(self, at: int, size: int) -> bytes:
        """See `Flash`."""
        return flipped(self._map[at : at + size])

    def program(self, at: int, data: bytes) -> None:
        """See `Flash`."""
        before = self._map[at : at + len(data)]
        wanted = flipped(data)
        # The complement turns "ones into zeros only" into "zeros into ones only".
        self._map[at : at + len(data)] = joined(before, wanted) if any(before) else wanted

    def erase(self, page: int) -> None:
        """See `Flash`."""
        self._map[page * PAGE_BYTES : (page + 1) * PAGE_BYTES] = bytes(PAGE_BYTES)

    def spoil(self, page: int, *, seed: str) -> None:
        """Let a page go bad, as worn or struck storage does: for the simulation only."""
        noise = random.Random(seed).randbytes(PAGE_BYTES)  # noqa: S311 - a fault, no secret
        self._map[page * PAGE_BYTES : (page + 1) * PAGE_BYTES] = noise

    def close(self) -> None:
        """See `Flash`."""
        self._map.close()
        self._file.close()


def flipped(data: bytes) -> bytes:
    """Return the complement of every byte."""
    size = len(data)
    return (int.from_bytes(data, "little") ^ ((1 << (8 * size)) - 1)).to_bytes(size, "little")


def joined(one: bytes, other: bytes) -> bytes:
    """Return the bits set in either, byte by byte."""
    return (int.from_bytes(one, "little") | int.from_bytes(other, "little")).to_bytes(len(one), "little")
