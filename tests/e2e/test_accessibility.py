"""Nothing that axe-core finds keeps people out: every page, by day, by night and in the sun."""

import re
from importlib.resources import files

import pytest

from dashboards.themes import COOKIE, THEMES
from tests.helpers.browser import chromium_path, watched_page
from tests.helpers.every_page import (
    DESK_PAGES,
    DOOR_PAGES,
    PAPER_PAGES,
    PEOPLE_PAGES,
    PHONE_PAGES,
    come_in,
)

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine"),
]

DESK, PHONE = (1024, 768), (360, 740)
AXE = files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
OF_LOOKS = ("color-contrast", "link-in-text-block", "target-size")
"""The only rules whose outcome hangs on colours and sizes."""
RUN = """async (only) => {
  const options = { resultTypes: ["violations"] };
  if (only) options.runOnly = { type: "rule", values: only };
  const found = await axe.run(document, options);
  return found.violations.flatMap((each) => each.nodes.map((node) =>
    `${each.id}: ${node.html.slice(0, 160)}: ${node.failureSummary.slice(0, 200)}`));
}"""


def bare(html):
    """Return a page without its style, its times and the mark on the theme that is chosen."""
    html = re.sub(r"<style>.*?</style>|<link rel=\"stylesheet\"[^>]*>|\s+", " ", html, flags=re.DOTALL)
    html = re.sub(r" +", " ", re.sub(r" aria-pressed=\"\w+\"", "", html))
    return re.sub(r"\d+", "0", html)


def look_at(page, base, path, poor):
    """Ask axe-core about a page in every theme: all rules in one, those of looks in all."""
    written = set()
    for theme in THEMES:
        page.context.add_cookies([{"name": COOKIE, "value": theme, "url": base}])
        answer = page.goto(base + path)
        written.add(bare(answer.text()))
        for chart in page.locator("[data-figure]").all():
            chart.locator(".main-svg").first.wait_for()
        page.evaluate(AXE)
        found = page.evaluate(RUN, None if theme == "day" else OF_LOOKS)
        poor += [f"{path}, {theme}: {words}" for words in found]
    assert len(written) == 1, f"{path} differs in more than its style from theme to theme"


@pytest.mark.parametrize(("size", "pages"), [(DESK, DESK_PAGES), (PHONE, PHONE_PAGES)], ids=["desk", "phone"])
def test_no_page_keeps_anybody_out_in_any_theme(browser, house, size, pages):
    poor = []
    with watched_page(browser, size) as watched:
        watched.page.set_default_timeout(60_000)
        for path in pages:
            look_at(watched.page, house.open, path, poor)
        watched.complaints = [each for each in watched.complaints if "404" not in each]
    assert poor == []


def test_no_page_that_is_printed_too_keeps_anybody_out(browser, house):
    poor = []
    with watched_page(browser, PHONE) as watched:
        watched.page.set_default_timeout(60_000)
        for path in PAPER_PAGES:
            watched.page.goto(house.open + path)
            watched.page.evaluate(AXE)
            poor += [f"{path}: {words}" for words in watched.page.evaluate(RUN, None)]
    assert poor == []


def test_no_page_of_accounts_keeps_anybody_out_in_any_theme(browser, house):
    poor = []
    with watched_page(browser, PHONE) as watched:
        page = watched.page
        page.set_default_timeout(60_000)
        for path in DOOR_PAGES:
            look_at(page, house.guarded, path, poor)
        come_in(page, house.guarded, "administrator")
        for path in PEOPLE_PAGES:
            look_at(page, house.guarded, path, poor)
    assert poor == []


def test_axe_finds_what_is_wrong(browser):
    with watched_page(browser, PHONE) as watched:
        page = watched.page
        page.set_default_timeout(60_000)
        page.set_content(
            '<html lang="en"><title>x</title><main><h1>x</h1><p style="color:#bbb">pale</p><input></main>'
        )
        page.evaluate(AXE)
        found = " ".join(page.evaluate(RUN, None))
        assert "color-contrast" in found
        assert "label" in found
