"""What a unit is built and set up as, and where things lie on its storage."""

from dataclasses import dataclass

from firmware_sim.firmware.ring import pages_for

SETTINGS_PAGES = (0, 1)
RING_MARKS = (2, 2)
EVENT_MARKS = (4, 2)
EVENTS = (6, 4)
SAMPLES_FROM_PAGE = 10
"""First page and number of pages of each log; the settings have two single pages."""


@dataclass(frozen=True)
class Build:
    """What a unit is built and set up as."""

    unit: str
    channels: tuple[str, ...]
    interval_s: int
    step_s: int
    phase_s: int
    set_point_c: float
    restart_v: float
    ring_samples: int = 60_000
    """Room in memory: 41 days of one a minute."""
    pack_s: int = 0
    """Seconds between contacts of a unit that must spare its link; 0 sends every sample at once."""
    backed_clock: bool = True
    """A battery of its own keeps the clock while the supply is away."""

    @property
    def flash_pages(self) -> int:
        """How much storage it needs."""
        return SAMPLES_FROM_PAGE + pages_for(self.channels, self.ring_samples)
