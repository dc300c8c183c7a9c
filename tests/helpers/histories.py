"""Temperature histories for the tests of what only orders and explains."""

import numpy as np

HOUR_MS = 3_600_000
MINUTE_MS = 60_000


def steps(*stretches):
    """Return times and temperatures of (hours, °C) stretches, each constant."""
    t_ms, food_c, now_ms = [], [], 0
    for hours, value in stretches:
        t_ms += [now_ms, now_ms + round(hours * HOUR_MS)]
        food_c += [value, value]
        now_ms = t_ms[-1]
    return np.array(t_ms, dtype=np.int64), np.array(food_c, dtype=np.float64)


def lines(*points):
    """Return times and temperatures of (minute, °C) points joined by straight lines."""
    return (
        np.array([round(m * MINUTE_MS) for m, _ in points], dtype=np.int64),
        np.array([c for _, c in points], dtype=np.float64),
    )


def celsius(fahrenheit):
    """Return an exact conversion."""
    return (fahrenheit - 32.0) / 1.8
