"""No page is ever pushed sideways: at 320 pixels, with letters twice as large, and no target is too small."""

import pytest

from dashboards.themes import COOKIE
from tests.helpers.browser import PHONE, chromium_path, watched_page
from tests.helpers.every_page import (
    DESK_PAGES,
    DOOR_PAGES,
    PAPER_PAGES,
    PEOPLE_PAGES,
    PHONE_PAGES,
    come_in,
)
from tests.helpers.looks import LOW_TARGETS_JS

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine"),
]

NARROW, DESK = (320, 740), (1024, 768)
"""WCAG 2.2, 1.4.10 (reflow): 320 CSS pixels without scrolling in two directions."""
OVER_JS = """() => {
  if (document.documentElement.scrollWidth <= innerWidth) return [];
  const wide = [...document.body.querySelectorAll("*")].filter((e) =>
    e.getBoundingClientRect().right > innerWidth + 1 && !e.parentElement.closest(".wide, svg"));
  return [`${document.documentElement.scrollWidth} px`, ...wide.slice(0, 5).map((e) =>
    `${e.tagName}.${e.className} ${e.textContent.trim().slice(0, 40)}`)];
}"""
TWICE_JS = "document.documentElement.style.fontSize = '200%'"
CUT_JS = """() => [...document.querySelectorAll(
  "button, summary, .w b, .verdict b, .b, nav a, td, th, label")]
  .filter((e) => e.clientWidth && e.scrollWidth > e.clientWidth + 1 && !e.closest(".wide"))
  .map((e) => `${e.tagName} ${e.textContent.trim().slice(0, 40)}`)"""
"""Words that run out of what holds them."""
SMALL_JS = """() => [...document.querySelectorAll("a, button, summary, input:not([type=hidden]), select")]
  .filter((e) => { const b = e.getBoundingClientRect();
    return b.width && b.height && Math.min(b.width, b.height) < 24
      && getComputedStyle(e).display !== "inline"; })
  .map((e) => `${e.tagName} ${e.textContent.trim().slice(0, 30)}`)"""
"""WCAG 2.2, 2.5.8 (target size): 24 by 24 CSS pixels; links within words are left out there too."""


def visit(page, house, pages, ask):
    """Go through pages and gather what is wrong with each."""
    wrong = []
    for path in pages:
        base = house.guarded if path in {*DOOR_PAGES, *PEOPLE_PAGES} else house.open
        page.goto(base + path)
        wrong += [f"{path}: {words}" for words in ask(page)]
    return wrong


def sideways(page):
    found = page.evaluate(OVER_JS) + page.evaluate(CUT_JS) + page.evaluate(SMALL_JS)
    if page.locator("link[rel=stylesheet]").count():
        return found  # pages for a desk are asked at a desk's width
    page.evaluate(TWICE_JS)
    return found + [f"twice as large: {words}" for words in page.evaluate(OVER_JS)]


@pytest.mark.parametrize("theme", ["day", "sun"])
def test_no_page_is_wider_than_320_pixels_or_cuts_a_word(browser, house, theme):
    with watched_page(browser, NARROW, scripts=False) as watched:
        page = watched.page
        page.set_default_timeout(60_000)
        page.context.add_cookies(
            [{"name": COOKIE, "value": theme, "url": base} for base in (house.open, house.guarded)]
        )
        come_in(page, house.guarded, "administrator")
        assert visit(page, house, [*DESK_PAGES, *PHONE_PAGES, *PEOPLE_PAGES], sideways) == []
        if theme == "day":
            assert visit(page, house, PAPER_PAGES, sideways) == []
        watched.complaints = [each for each in watched.complaints if "404" not in each]


def test_desk_pages_take_letters_twice_as_large(browser, house):
    def twice(page):
        page.evaluate(TWICE_JS)
        return page.evaluate(OVER_JS)

    with watched_page(browser, DESK, scripts=False) as watched:
        watched.page.set_default_timeout(60_000)
        assert visit(watched.page, house, DESK_PAGES, twice) == []


def big(page):
    for summary in page.locator("summary").all():
        if summary.is_visible():
            summary.click()
    return page.evaluate(LOW_TARGETS_JS)


def test_a_thumb_hits_everything_on_the_pages_of_the_kitchen(browser, house):
    with watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.set_default_timeout(60_000)
        assert visit(page, house, [path for path in PHONE_PAGES if path != "/nowhere"], big) == []
        page.goto(f"{house.open}/camp/vehicle-3")
        main = page.locator("main nav .b")
        assert main.count() >= 2
        boxes = [main.nth(k).bounding_box() for k in range(main.count())]
        assert min(box["height"] for box in boxes) >= 96
        assert boxes[1]["y"] - (boxes[0]["y"] + boxes[0]["height"]) >= 12
