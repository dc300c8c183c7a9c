"""Looking into the memory of a simulated unit from outside, while it runs or afterwards."""

from pathlib import Path
from typing import Any

from firmware_sim.firmware.build import SAMPLES_FROM_PAGE
from firmware_sim.firmware.flash import FileFlash
from firmware_sim.firmware.ring import Counts, Ring, pages_for

RING_SAMPLES = 60_000


def pages_of(channels: tuple[str, ...]) -> int:
    """Return how large the memory of a unit with these channels is."""
    return SAMPLES_FROM_PAGE + pages_for(channels, RING_SAMPLES)


def kept_by(folder: Path, unit: str, channels: tuple[str, ...]) -> tuple[Counts, Any]:
    """Return where a unit's ring stands, and its oldest unconfirmed record."""
    flash = FileFlash(folder / f"{unit}.flash", pages=pages_of(channels))
    try:
        pages = (SAMPLES_FROM_PAGE, flash.pages - SAMPLES_FROM_PAGE)
        ring = Ring(flash, channels=channels, mark_pages=(2, 2), pages=pages)
        counts = ring.counts()
        return counts, ring.read(counts.freed, counts.freed + 1)
    finally:
        flash.close()
