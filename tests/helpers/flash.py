"""Flash in memory whose supply fails after a chosen number of bytes."""

import random

from firmware_sim.firmware.flash import PAGE_BYTES

ERASE_COSTS = 4
"""An erase can be interrupted before, at two places within, and after."""


class PowerLostError(Exception):
    """The supply went away in the middle of an operation."""


class FailingFlash:
    """Keeps what was programmed; raises once `left` bytes have been programmed, and from then on."""

    def __init__(self, pages: int, *, seed: int = 0) -> None:
        self.cells = bytearray(b"\xff" * (pages * PAGE_BYTES))
        self.left: int | None = None
        self.used = 0
        self._random = random.Random(seed)  # noqa: S311 - a fault, no secret

    @property
    def pages(self) -> int:
        return len(self.cells) // PAGE_BYTES

    def fail_after(self, bytes_programmed: int) -> None:
        self.left = bytes_programmed

    def power(self) -> None:
        """Come back with everything as it was left."""
        self.left = None

    def _spend(self, wanted: int) -> int:
        """Return for how much of what is wanted the supply lasts."""
        if self.left is None:
            lasts = wanted
        else:
            lasts = min(wanted, self.left)
            self.left -= lasts
        self.used += lasts
        return lasts

    def read(self, at: int, size: int) -> bytes:
        return bytes(self.cells[at : at + size])

    def program(self, at: int, data: bytes) -> None:
        whole = self._spend(len(data))
        wanted = int.from_bytes(data[:whole])
        assert int.from_bytes(self.cells[at : at + whole]) & wanted == wanted, (
            "a bit was to be turned from zero to one"
        )
        self.cells[at : at + whole] = data[:whole]
        if whole < len(data):
            self.cells[at + whole] &= data[whole] | self._random.getrandbits(8)  # a byte half programmed
            raise PowerLostError

    def erase(self, page: int) -> None:
        base, part = page * PAGE_BYTES, PAGE_BYTES // ERASE_COSTS
        done = self._spend(ERASE_COSTS)
        self.cells[base : base + done * part] = b"\xff" * (done * part)
        if 0 < done < ERASE_COSTS:  # weakly erased cells read as they please
            rest = slice(base + done * part, base + PAGE_BYTES)
            noise = self._random.randbytes((ERASE_COSTS - done) * part)
            self.cells[rest] = (int.from_bytes(self.cells[rest]) | int.from_bytes(noise)).to_bytes(len(noise))
        if done < ERASE_COSTS:
            raise PowerLostError

    def spoil(self, page: int) -> None:
        base = page * PAGE_BYTES
        self.cells[base : base + PAGE_BYTES] = self._random.randbytes(PAGE_BYTES)

    def close(self) -> None:
        pass
