"""The one place in services that reads the clock."""

import time


def now_ms() -> int:
    """Return milliseconds since 1970-01-01 UTC."""
    return time.time_ns() // 1_000_000
