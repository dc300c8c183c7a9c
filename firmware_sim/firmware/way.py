"""The way between a unit and its broker, and what goes wrong on it: no network, repeats, overtaking."""

import random
import threading
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Away:
    """A stretch without coverage: nothing measured from `start_ms` on is sent before `end_ms`."""

    start_ms: int
    end_ms: int


@dataclass(frozen=True)
class Air:
    """How bad the way is at the moment."""

    out: bool = False
    """No network."""
    duplicate_share: float = 0.0
    """Share of packs that arrive twice."""
    reorder_share: float = 0.0
    """Share of packs overtaken by the next ones."""
    clock_off_ms: int = 0
    """What the time is wrong by that the network tells."""


class Way:
    """Hands packs on, now and then twice or late; nothing is lost on it."""

    def __init__(self, deliver: Callable[[str, bytes, int | None], None], *, seed: str) -> None:
        """Deliver with leaf, payload and expiry [s]."""
        self._deliver = deliver
        self._random = random.Random(seed)  # noqa: S311 - a fault, no secret
        self._lock = threading.Lock()
        self._air = Air()
        self._late: list[tuple[str, bytes, int | None]] = []
        self.bytes = 0
        """Payload handed over so far."""

    @property
    def air(self) -> Air:
        """How it is at present."""
        with self._lock:
            return self._air

    def becomes(self, air: Air) -> None:
        """Change how it is from now on."""
        with self._lock:
            self._air = air

    def send(self, leaf: str, payload: bytes, expiry_s: int | None) -> None:
        """Take a pack."""
        air, pack = self.air, (leaf, payload, expiry_s)
        copies = 2 if self._random.random() < air.duplicate_share else 1
        for _ in range(copies):
            if self._random.random() < air.reorder_share:
                self._late.insert(0, pack)
            else:
                self._hand_over(pack)

    def settle(self) -> None:
        """Let through what was overtaken, the last one first."""
        late, self._late = self._late, []
        for pack in late:
            self._hand_over(pack)

    def drop(self) -> None:
        """Forget what is under way: the connection is gone, and the unit will send it again."""
        self._late.clear()

    def _hand_over(self, pack: tuple[str, bytes, int | None]) -> None:
        self.bytes += len(pack[1])
        self._deliver(*pack)
