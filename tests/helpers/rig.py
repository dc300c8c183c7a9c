"""A unit's firmware with its radio on a real broker, without any physics: the test says what was measured."""

import contextlib
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from firmware_sim.firmware.address import BrokerAt
from firmware_sim.firmware.build import Build
from firmware_sim.firmware.flash import FileFlash
from firmware_sim.firmware.radio import Radio
from firmware_sim.firmware.unit import Firmware

CHANNELS = ("cabinet", "battery", "compressor")
MINUTE_MS = 60_000


class Rig:
    """One unit; its time runs only when the test lets it, and what is true is remembered."""

    def __init__(self, unit: str, folder: Path, *, begins_ms: int, **build: object) -> None:
        plain = {"interval_s": 60, "step_s": 30, "phase_s": 0, "set_point_c": 2.0, "restart_v": 12.5}
        self.build = Build(unit=unit, channels=CHANNELS, ring_samples=5000, **{**plain, **build})  # type: ignore[arg-type]
        self.path = folder / f"{unit}.flash"
        self.now_ms = begins_ms - begins_ms % MINUTE_MS
        self.true: dict[int, tuple[float, float, float]] = {}
        """What was measured, by true time."""
        self.boot()

    def boot(self) -> None:
        """Switch on, with whatever is on the flash."""
        self.flash = FileFlash(self.path, pages=self.build.flash_pages)
        self.firmware = Firmware(self.build, self.flash, boot_ms=self.now_ms)

    def switch_off(self) -> None:
        """Take the power away; time may pass before the next `boot`."""
        self.firmware.close()

    def measure(self, samples: int, *, network: bool = True, error_ms: int = 0) -> None:
        """Let minutes pass, a sample at the end of each."""
        times = self.now_ms + MINUTE_MS * np.arange(1, samples + 1, dtype=np.int64)
        k = times // MINUTE_MS
        values = {
            "cabinet": 2.0 + k % 97 / 10.0,
            "battery": 12.0 + k % 13 / 100.0,
            "compressor": (k % 3 == 0).astype(float),
        }
        told = times + error_ms if network else np.full(samples, -1)
        before = self.firmware.ring.counts().written
        self.firmware.take(times, values, network_ms=told)
        assert self.firmware.ring.counts().written == before + samples
        rows = zip(times.tolist(), *(values[name].round(3).tolist() for name in CHANNELS), strict=True)
        self.true.update({t: (a, b, c) for t, a, b, c in rows})
        self.now_ms = int(times[-1])

    @contextlib.contextmanager
    def on_air(self, url: str | BrokerAt) -> Iterator[Radio]:
        """Connect, and leave like a unit that loses its power."""
        stop = threading.Event()
        broker = BrokerAt.of(url) if isinstance(url, str) else url
        radio = Radio(self.firmware, broker, stop=stop, now_ms=lambda: self.now_ms)
        radio.start()
        try:
            yield radio
        finally:
            stop.set()
            radio.join(10.0)
            assert not radio.is_alive()

    def all_confirmed(self) -> bool:
        """Tell whether nothing waits any more."""
        counts = self.firmware.ring.counts()
        return counts.freed == counts.written


def until(condition, within_s: float = 20.0) -> bool:  # type: ignore[no-untyped-def]
    """Return whether something came true in time."""
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        if condition():
            return True
        time.sleep(0.03)
    return False
