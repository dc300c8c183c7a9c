"""Inks and lettering of the charts; the same as on the pages around them."""

PAPER = "#fbf6ea"
INK = "#1d150d"
RULE = "#d9ccb2"
FADED = "#6b5c46"
TEMPERATURE = "#0b4f6c"
PRODUCT = "#7a3410"
FOOD = "#5b3a00"
OUTSIDE = "#8a7340"
VOLTAGE = "#4a3a78"
LIMIT = "#8b0f1a"
COMPRESSOR = "#5a6b3a"
FONT = {"family": "system-ui, sans-serif", "size": 13, "color": INK}


def faint(ink: str) -> str:
    """Return an ink thinned for a band."""
    red, green, blue = (int(ink[at : at + 2], 16) for at in (1, 3, 5))
    return f"rgba({red},{green},{blue},0.22)"
