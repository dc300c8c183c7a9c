"""Inks and lettering of the charts; the same as on the pages around them."""

from typing import Any

from dashboards.themes import DAY, NIGHT, SUN, Theme

PAPER = DAY.paper
INK = DAY.ink
RULE = "#d9ccb2"
FADED = DAY.faded
TEMPERATURE = "#0b4f6c"
PRODUCT = "#7a3410"
FOOD = "#5b3a00"
OUTSIDE = "#8a7340"
VOLTAGE = "#4a3a78"
LIMIT = "#8b0f1a"
COMPRESSOR = "#5a6b3a"
FONT = {"family": "system-ui, sans-serif", "size": 13, "color": INK}
FRAME = {
    "paper_bgcolor": PAPER,
    "plot_bgcolor": PAPER,
    "font": FONT,
    "hoverlabel": {"bgcolor": PAPER},
    "dragmode": "zoom",
}
"""What every layout begins with."""

_NIGHT = {
    PAPER: NIGHT.paper,
    INK: NIGHT.ink,
    RULE: "#3a3125",
    FADED: NIGHT.faded,
    TEMPERATURE: "#6fb0cc",
    PRODUCT: NIGHT.rust,
    FOOD: "#cdb15e",
    OUTSIDE: "#a08a5c",
    VOLTAGE: "#a9a0dc",
    LIMIT: NIGHT.discard,
    COMPRESSOR: "#9db078",
}
_SUN = {
    PAPER: SUN.paper,
    INK: SUN.ink,
    RULE: "#bbb",
    FADED: SUN.faded,
    TEMPERATURE: "#000000",
    PRODUCT: "#5a1800",
    FOOD: "#3b2600",
    OUTSIDE: "#4a3c10",
    VOLTAGE: "#1a1050",
    LIMIT: "#000000",
    COMPRESSOR: "#1f3300",
}
_THICKER = 1.7
"""How much thicker lines are in the sun."""


def faint(ink: str) -> str:
    """Return an ink thinned for a band."""
    red, green, blue = (int(ink[at : at + 2], 16) for at in (1, 3, 5))
    return f"rgba({red},{green},{blue},0.22)"


_FAINT = (TEMPERATURE, PRODUCT, FOOD, OUTSIDE, VOLTAGE, LIMIT, COMPRESSOR)


def _with_bands(inks: dict[str, str]) -> dict[str, str]:
    return {**inks, **{faint(ink): faint(inks[ink]) for ink in _FAINT}}


_INKS: dict[Theme, dict[str, str]] = {"night": _with_bands(_NIGHT), "sun": _with_bands(_SUN)}


def in_theme(figure: Any, theme: Theme | None) -> Any:  # noqa: ANN401 - a plain tree of whatever a chart is made of
    """Return a figure, drawn in the inks of the day, in those of a theme."""
    if theme is None or theme == "day":
        return figure
    return _redrawn(figure, _INKS[theme], _THICKER if theme == "sun" else 1.0)


def _redrawn(part: Any, inks: dict[str, str], thicker: float) -> Any:  # noqa: ANN401 - as above
    if isinstance(part, str):
        return inks.get(part, part)
    if isinstance(part, dict):
        drawn = {key: _redrawn(value, inks, thicker) for key, value in part.items()}
        if isinstance(part.get("width"), int | float) and "color" in part:
            drawn["width"] = part["width"] * thicker
        return drawn
    # readings are long and hold no inks
    if isinstance(part, list) and part and isinstance(part[0], dict):
        return [_redrawn(each, inks, thicker) for each in part]
    return part
