import re
from pathlib import Path

import pytest
from starlette.requests import Request

from dashboards.themes import PALETTES, THEMES, named, style, theme_of


def brightness(colour):
    """Return relative luminance. WCAG 2.2, definition of "relative luminance"."""
    digits = colour.lstrip("#")
    digits = "".join(2 * d for d in digits) if len(digits) == 3 else digits
    parts = [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    red, green, blue = (v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one, other):
    """Return the contrast ratio. WCAG 2.2, definition of "contrast ratio"."""
    low, high = sorted((brightness(one), brightness(other)))
    return (high + 0.05) / (low + 0.05)


WORDS = ("ink", "faded", "rust", "ok", "watch", "no_data", "hold", "discard")
LINES = ("river", "track")


@pytest.mark.parametrize("theme", THEMES)
def test_every_ink_that_words_are_written_in_stands_out_from_all_it_is_written_on(theme):
    # WCAG 2.2, 1.4.3 (minimum contrast): 4.5 to 1
    palette = PALETTES[theme]
    poor = {
        (ink, ground): round(contrast(getattr(palette, ink), getattr(palette, ground)), 2)
        for ink in WORDS
        for ground in ("paper", "field")
        if contrast(getattr(palette, ink), getattr(palette, ground)) < 4.5
    }
    assert poor == {}
    assert contrast(palette.banner, palette.paper) >= 4.5


@pytest.mark.parametrize("theme", THEMES)
def test_lines_that_mean_something_stand_out(theme):
    # WCAG 2.2, 1.4.11 (non-text contrast): 3 to 1
    palette = PALETTES[theme]
    assert min(contrast(getattr(palette, line), palette.field) for line in LINES) >= 3


def test_in_the_sun_there_is_black_and_white_and_no_grey_word():
    sun = PALETTES["sun"]
    assert {getattr(sun, ink) for ink in (*WORDS, *LINES, "rule", "banner")} == {"#000"}
    assert {sun.paper, sun.field} == {"#fff"}
    assert int(sun.thin.removesuffix("px")) >= 3


def test_the_night_is_dark_and_its_letters_are_dim():
    night = PALETTES["night"]
    assert brightness(night.paper) < 0.01
    assert brightness(night.field) < 0.02
    assert max(brightness(getattr(night, ink)) for ink in (*WORDS, "banner")) < 0.6


@pytest.mark.parametrize("phone", [True, False])
def test_a_chosen_theme_is_the_only_one_told_and_paper_stays_for_the_day(phone):
    assert "@media" not in style("day", phone=phone)
    for theme in ("night", "sun"):
        told = style(theme, phone=phone)
        assert told.count("@media") == 1
        assert "@media screen{" in told
        assert PALETTES[theme].paper in told
        assert phone or re.findall(r"--theme:(\w+)", told) == ["day", theme]


@pytest.mark.parametrize("phone", [True, False])
def test_without_a_choice_the_device_decides(phone):
    told = style(None, phone=phone)
    assert phone or re.findall(r"--theme:(\w+)", told) == ["day", "sun", "night"]
    assert "prefers-contrast:more" in told
    assert "prefers-color-scheme:dark" in told


def test_a_page_finds_every_variable_it_uses():
    house = Path(__file__).resolve().parents[3] / "dashboards"
    for sheet, phone in ((house / "static" / "pages.css", False), (house / "templates" / "phone.css", True)):
        text = sheet.read_text(encoding="utf-8")
        own = set(re.findall(r"(?<![\w-])--([\w-]+):", text))
        used = set(re.findall(r"var\(--([\w-]+)", text))
        given = set(re.findall(r"--([\w-]+):", style("day", phone=phone)))
        assert used - own - given == set()
        assert given - used == (set() if phone else {"theme"})


def asked_with(cookie):
    headers = [(b"cookie", cookie.encode())] if cookie else []
    return Request({"type": "http", "headers": headers})


def test_the_theme_comes_from_the_cookie_and_from_nothing_else():
    assert theme_of(asked_with("")) is None
    assert theme_of(asked_with("theme=night")) == "night"
    assert theme_of(asked_with("theme=plaid")) is None
    assert named("sun") == "sun"
    assert named("") is None
