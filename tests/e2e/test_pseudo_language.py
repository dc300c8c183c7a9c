"""Texts 40 % longer break no page: read in the language of brackets, nothing leaves a small screen."""

import pytest

from dashboards.language import CHOSEN_LANGUAGE
from tests.helpers import pseudo
from tests.helpers.browser import chromium, chromium_path, watched_page
from tests.helpers.every_page import DESK_PAGES, PHONE_PAGES, every_page

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine"),
]

NARROW, DESK = (320, 740), (1024, 768)
WIDER = "() => document.documentElement.scrollWidth - innerWidth"
CUT = """() => [...document.querySelectorAll("button, summary, nav a, .b, .w b, .verdict b, td, th, label")]
  .filter((e) => e.clientWidth && e.scrollWidth > e.clientWidth + 1 && !e.closest(".wide"))
  .map((e) => `${e.tagName} ${e.textContent.trim().slice(0, 60)}`)"""
PHONE_WORDS = [*(path for path in PHONE_PAGES if path != "/nowhere"), "/language"]


def test_longer_texts_leave_no_page_on_a_phone_or_a_laptop(tmp_path, monkeypatch):
    poor = []
    with pseudo.spoken(monkeypatch), every_page(tmp_path) as house, chromium() as browser:
        for size, paths in ((NARROW, [*PHONE_WORDS, *DESK_PAGES]), (DESK, DESK_PAGES)):
            with watched_page(browser, size) as watched:
                page = watched.page
                page.context.add_cookies([{"name": CHOSEN_LANGUAGE, "value": pseudo.CODE, "url": house.open}])
                for path in paths:
                    page.goto(house.open + path)
                    assert page.locator("html").get_attribute("lang") == pseudo.CODE
                    wider, cut = page.evaluate(WIDER), page.evaluate(CUT)
                    poor += [f"{path} at {size[0]}: {wider} px too wide"] if wider > 0 else []
                    poor += [f"{path} at {size[0]}: cut off {each}" for each in cut]
    assert poor == []
