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

    def _spend(self) -> bool:
        if self.left is not None and self.left <= 0:
            return False
        if self.left is not None:
            self.left -= 1
        self.used += 1
        return True

    def read(self, at: int, size: int) -> bytes:
        return bytes(self.cells[at : at + size])

    def program(self, at: int, data: bytes) -> None:
        for k, byte in enumerate(data):
            if not self._spend():
                self.cells[at + k] &= byte | self._random.getrandbits(8)  # a byte half programmed
                raise PowerLostError
            assert self.cells[at + k] & byte == byte, "a bit was to be turned from zero to one"
            self.cells[at + k] = byte

    def erase(self, page: int) -> None:
        base = page * PAGE_BYTES
        for stage in range(ERASE_COSTS):
            if not self._spend():
                raise PowerLostError
            for k in range(stage * PAGE_BYTES // ERASE_COSTS, (stage + 1) * PAGE_BYTES // ERASE_COSTS):
                self.cells[base + k] = 0xFF
            if stage == 0:  # weakly erased cells read as they please
                for k in range(PAGE_BYTES // ERASE_COSTS, PAGE_BYTES):
                    self.cells[base + k] |= self._random.getrandbits(8)

    def spoil(self, page: int) -> None:
        base = page * PAGE_BYTES
        self.cells[base : base + PAGE_BYTES] = self._random.randbytes(PAGE_BYTES)

    def close(self) -> None:
        pass
