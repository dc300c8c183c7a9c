"""The spans of time a chart is offered for."""

from services.timebase import DAY_MS, HOUR_MS

SPANS: dict[str, tuple[str, int]] = {
    "1h": ("1 hour", HOUR_MS),
    "6h": ("6 hours", 6 * HOUR_MS),
    "24h": ("24 hours", DAY_MS),
    "3d": ("3 days", 3 * DAY_MS),
    "14d": ("14 days", 14 * DAY_MS),
    "60d": ("60 days", 60 * DAY_MS),
    "1y": ("1 year", 365 * DAY_MS),
    "2y": ("2 years", 730 * DAY_MS),
}
"""By key: words and length."""


def offered(chosen: str) -> list[tuple[str, str, bool]]:
    """Return key, words and whether it is the one that is shown."""
    return [(key, words, key == chosen) for key, (words, _) in SPANS.items()]
