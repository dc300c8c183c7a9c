"""How pages look by day, by night and in the sun: all colours and thicknesses of pages in one place."""

import functools
from dataclasses import asdict, dataclass
from typing import Literal, get_args

from starlette.requests import HTTPConnection

Theme = Literal["day", "night", "sun"]
THEMES: tuple[Theme, ...] = get_args(Theme)
COOKIE = "theme"

_YEAR_S = 365 * 86_400
KEPT_S = _YEAR_S
"""How long a browser keeps what somebody chose."""


@dataclass(frozen=True, slots=True)
class Palette:
    """What the style sheets take their colours and sizes from."""

    scheme: str
    """What a browser draws its own parts in: ``light`` or ``dark``."""
    paper: str
    ink: str
    faded: str
    """Words that matter less; in the sun there are none."""
    rule: str
    """Lines that only part things."""
    rust: str
    """Links and focus."""
    banner: str
    """Behind a verdict on a phone that forbids serving; as bright as the night allows."""
    field: str
    """Behind what is typed, and behind pictures."""
    fed: str
    """Hours on a charger; areas of a map."""
    river: str
    track: str
    ok: str
    watch: str
    no_data: str
    hold: str
    discard: str
    thin: str
    """Width of a border."""
    letters: str
    """Size of ordinary words on a desk."""
    phone_letters: str
    huge: str
    """Size of the verdict on a phone."""


DAY = Palette(
    scheme="light",
    paper="#fbf6ea",
    ink="#1d150d",
    faded="#6b5c46",
    rule="#cbbb9c",
    rust="#7a3410",
    banner="#1d150d",
    field="#fffdf7",
    fed="#efe3c6",
    river="#0b4f6c",
    track="#7d6738",
    ok="#2c5a38",
    watch="#855600",
    no_data="#4d4d4d",
    hold="#a33a00",
    discard="#8b0f1a",
    thin="1px",
    letters="1rem",
    phone_letters="1.125rem",
    huge="2.3rem",
)
NIGHT = Palette(
    scheme="dark",
    paper="#14100b",
    ink="#d3c6ae",
    faded="#a39276",
    rule="#4b3f2f",
    rust="#dd9860",
    banner="#a39276",
    field="#1f1912",
    fed="#2e261b",
    river="#6fb0cc",
    track="#a08a5c",
    ok="#8db894",
    watch="#cfa04a",
    no_data="#b1a999",
    hold="#e59468",
    discard="#e58d84",
    thin="1px",
    letters="1rem",
    phone_letters="1.125rem",
    huge="2.3rem",
)
"""Dim on purpose: eyes that are used to the dark go on seeing the road."""
SUN = Palette(
    scheme="light",
    paper="#fff",
    ink="#000",
    faded="#000",
    rule="#000",
    rust="#000",
    banner="#000",
    field="#fff",
    fed="#ddd",
    river="#000",
    track="#000",
    ok="#000",
    watch="#000",
    no_data="#000",
    hold="#000",
    discard="#000",
    thin="3px",
    letters="1.2rem",
    phone_letters="1.3rem",
    huge="3rem",
)
"""Black on white and nothing between: in full sun no other pair of colours is told apart."""
PALETTES: dict[Theme, Palette] = {"day": DAY, "night": NIGHT, "sun": SUN}

_ON_PHONE = {
    "paper": "p",
    "ink": "i",
    "faded": "l",
    "rust": "a",
    "banner": "b",
    "thin": "t",
    "phone_letters": "z",
    "huge": "w",
}
"""Short names: a phone page carries its style with it."""
_ON_DESK = {
    name: name.replace("_", "-")
    for name in asdict(DAY)
    if name not in {"scheme", "banner", "phone_letters", "huge"}
}
_AS_THE_DEVICE: tuple[tuple[str, Theme], ...] = (
    ("(prefers-contrast:more)", "sun"),
    ("(prefers-color-scheme:dark)", "night"),
)


def _root(theme: Theme, names: dict[str, str]) -> str:
    held = asdict(PALETTES[theme])
    by_day = asdict(DAY)
    parts = [f"color-scheme:{held['scheme']}"] if held["scheme"] != by_day["scheme"] or theme == "day" else []
    if names is _ON_DESK:
        parts.append(f"--theme:{theme}")  # charts ask for it; a phone page has none
    parts += [
        f"--{short}:{held[name]}"
        for name, short in names.items()
        if theme == "day" or held[name] != by_day[name]
    ]
    return f":root{{{';'.join(parts)}}}"


@functools.cache
def style(theme: Theme | None, *, phone: bool) -> str:
    """Return the variables of a theme as a style sheet; None goes by what the device is set to.

    Paper is always for the day: nothing but a screen is dark. Who asks for both contrast and dark gets the
    colours of the night, thick and large.
    """
    names = _ON_PHONE if phone else _ON_DESK
    found = [_root("day", names)]
    chosen = _AS_THE_DEVICE if theme is None else (("screen", theme),)
    for condition, each in chosen:
        if each != "day":
            found.append(f"@media {condition}{{{_root(each, names)}}}")
    return "\n".join(found)


def theme_of(request: HTTPConnection) -> Theme | None:
    """Return what somebody chose on this browser, None where the device decides."""
    return named(request.cookies.get(COOKIE, ""))


def named(word: str) -> Theme | None:
    """Return the theme of a name, None for any other word."""
    return next((theme for theme in THEMES if theme == word), None)
