"""Day, night and bright sun in a real browser: chosen by a button, set by the server, followed by charts."""

import re
from pathlib import Path

import pytest

from dashboards.themes import DAY, NIGHT, SUN
from tests.helpers.browser import DESK, PHONE, chromium_path, on_loopback, watched_page

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine"),
]

PAPER_JS = "getComputedStyle(document.body).backgroundColor"
SHELVES = [Path(__file__).resolve().parents[2] / "dashboards" / name for name in ("static", "templates")]


def rgb(colour):
    """Return a colour as browsers tell it."""
    digits = colour.lstrip("#")
    digits = "".join(2 * d for d in digits) if len(digits) == 3 else digits
    return f"rgb({', '.join(str(int(digits[at : at + 2], 16)) for at in (0, 2, 4))})"


@pytest.mark.parametrize(
    ("path", "size"), [("/camp/vehicle-3", PHONE), ("/tonight?until=05:30", DESK)], ids=["phone", "desk"]
)
def test_a_choice_holds_on_every_page_and_leads_back_without_scripts(browser, house, path, size):
    with watched_page(browser, size, scripts=False) as watched:
        page = watched.page
        page.set_default_timeout(60_000)
        page.goto(house.open + path)
        assert page.evaluate(PAPER_JS) == rgb(DAY.paper)
        for words, palette in (("Night", NIGHT), ("Bright sun", SUN), ("Day", DAY)):
            page.get_by_role("button", name=words, exact=True).click()
            page.wait_for_load_state()
            assert page.url.endswith(path.replace(":", "%3A")) or page.url.endswith(path)
            assert page.evaluate(PAPER_JS) == rgb(palette.paper)
            assert page.locator("[aria-pressed=true]").inner_text().endswith(words)


def test_without_a_choice_the_device_decides_and_a_choice_outranks_it(browser, house):
    with watched_page(browser, PHONE, dark=True) as watched:
        page = watched.page
        page.set_default_timeout(60_000)
        for path in ("/camp/vehicle-3", "/fleet"):
            page.goto(house.open + path)
            assert page.evaluate(PAPER_JS) == rgb(NIGHT.paper)
        page.emulate_media(contrast="more", color_scheme="light")
        assert page.evaluate(PAPER_JS) == rgb(SUN.paper)
        page.get_by_role("button", name="Day", exact=True).click()
        page.wait_for_load_state()
        page.emulate_media(contrast="no-preference", color_scheme="dark")
        assert page.evaluate(PAPER_JS) == rgb(DAY.paper)
        page.emulate_media(media="print")
        assert page.evaluate("getComputedStyle(document.body).color") == rgb(DAY.ink)


def test_a_chart_is_drawn_in_the_inks_of_the_night(browser, house):
    with watched_page(browser, DESK) as watched:
        page = watched.page
        page.context.add_cookies([{"name": "theme", "value": "night", "url": house.open}])
        page.goto(f"{house.open}/units/v3-meat")
        page.wait_for_selector("#chart .main-svg", timeout=60_000)
        assert page.evaluate("document.getElementById('chart').layout.paper_bgcolor") == NIGHT.paper
        assert any("figure.json" in url and "theme=night" in url for url in watched.requests)


def test_no_page_or_script_of_ours_names_another_host():
    known = re.compile(r"https?://(?:www\.w3\.org|localhost|127\.0\.0\.1)")
    found = {
        f"{file.name}: {address}"
        for shelf in SHELVES
        for file in shelf.rglob("*")
        if file.is_file() and "vendor" not in file.parts
        for address in re.findall(r"(?:https?:)?//[a-z0-9.-]+\.[a-z]{2,}", file.read_text(encoding="utf-8"))
        if not known.match(address) and not on_loopback(address)
    }
    assert found == set()
