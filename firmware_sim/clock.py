"""The simulated units' own clock: the one place in the simulator that reads the time."""

import time


def now_ms() -> int:
    """Return milliseconds since 1970-01-01 UTC."""
    return time.time_ns() // 1_000_000
