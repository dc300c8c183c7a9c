"""The spans of time a chart is offered for."""

from dashboards.language import _, msg
from services.timebase import DAY_MS, HOUR_MS

SPANS: dict[str, tuple[str, int]] = {
    "1h": (msg("1 hour"), HOUR_MS),
    "6h": (msg("6 hours"), 6 * HOUR_MS),
    "24h": (msg("24 hours"), DAY_MS),
    "3d": (msg("3 days"), 3 * DAY_MS),
    "14d": (msg("14 days"), 14 * DAY_MS),
    "60d": (msg("60 days"), 60 * DAY_MS),
    "1y": (msg("1 year"), 365 * DAY_MS),
    "2y": (msg("2 years"), 730 * DAY_MS),
}
"""By key: words and length."""


def offered(chosen: str) -> list[tuple[str, str, bool]]:
    """Return key, words and whether it is the one that is shown."""
    return [(key, _(words), key == chosen) for key, (words, _length) in SPANS.items()]
