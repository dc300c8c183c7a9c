"""The pages in a real browser, over a house judged by the real monitor."""

import re
import time
from pathlib import Path

import pytest

from dashboards import text
from services.domain import Verdict
from tests.helpers.browser import DESK, PHONE, chromium_path, watched_page
from tests.helpers.larder import analysis, app_of, card, open_judged_larder
from tests.helpers.looks import CONTRAST_JS
from tests.helpers.web import serving

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine"),
]

SHOTS = Path(__file__).resolve().parents[2] / "build" / "screenshots"
DISCARD, HOLD = text.WORDS[Verdict.DISCARD_ADVISED], text.WORDS[Verdict.HOLD]
EXPECTED = {
    "fleet": ("/", ["Meat chest", "Milk fridge", "Salad drawer", DISCARD, HOLD, "Cold", "plan on 17:"]),
    "camp": ("/camp/vehicle-3", ["Meat chest", "Salad drawer", DISCARD, "Cold", "plan on 17:"]),
    "camps": ("/camp", ["Vehicle 3", "River camp", DISCARD, HOLD]),
    "tonight": (
        "/tonight",
        ["Will the batteries last tonight", "Meat chest", "Will not last", "may not last the night"],
    ),
    "plan": ("/plan", ["Plan a trip", "Nights", "Work it out"]),
    "workshop": ("/workshop", ["Meat chest", "battery flat", DISCARD, "plan on 17:", "mΩ"]),
    "unit": ("/units/v3-meat", ["Meat chest", DISCARD, "plan on 17:", "5 h 50 min above 5.0 °C"]),
}


@pytest.fixture
def house(tmp_path):
    larder = open_judged_larder(tmp_path)
    with serving(app_of(larder)) as base:
        yield larder, base
    larder.close()


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    larder = open_judged_larder(tmp_path_factory.mktemp("house"))
    with serving(app_of(larder)) as found:
        yield found
    larder.close()


def until(page, expression, timeout_s=10.0):
    """Wait for an expression to hold; the policy of the pages forbids the browser's own way of waiting."""
    deadline = time.monotonic() + timeout_s
    while not page.evaluate(expression):
        assert time.monotonic() < deadline, f"never came true: {expression}"
        page.wait_for_timeout(50)


def settled(page, name):
    if name == "unit":
        page.wait_for_selector("#chart .main-svg")
        until(page, "document.querySelectorAll('#chart .scatterlayer .trace').length >= 3")
    if name == "fleet":
        until(page, "document.getElementById('live').textContent.startsWith('live')")


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
@pytest.mark.parametrize("name", EXPECTED)
def test_every_page_says_what_matters_at_every_size(browser, base, name, size):
    path, words = EXPECTED[name]
    with watched_page(browser, size) as watched:
        page = watched.page
        page.goto(base + path)
        settled(page, name)
        shown = page.inner_text("body")
        for word in words:
            assert word in shown, word
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "it scrolls sideways"
        assert page.evaluate(CONTRAST_JS) == []
        SHOTS.mkdir(parents=True, exist_ok=True)
        page.screenshot(path=SHOTS / f"{name}-{size[0]}.png", full_page=True)


def test_the_cooks_page_is_one_request_and_needs_no_script(browser, base):
    with watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.goto(f"{base}/camp/vehicle-3")
        shown = page.inner_text("body")
        assert DISCARD in shown
        assert "Do not cook, serve or taste it." in shown
        assert len(watched.requests) == 1


@pytest.mark.parametrize("dark", [False, True], ids=["day", "night"])
def test_the_cooks_buttons_are_big_and_readable_by_day_and_night(browser, base, dark):
    with watched_page(browser, PHONE, dark=dark) as watched:
        page = watched.page
        page.goto(f"{base}/camp/vehicle-3")
        for summary in page.locator("summary").all():
            summary.click()
        heights = page.evaluate(
            "[...document.querySelectorAll('summary, button, input:not([type=hidden]), select')]"
            ".map((e) => e.getBoundingClientRect().height)"
        )
        assert len(heights) >= 10
        assert min(heights) >= 64
        assert page.evaluate(CONTRAST_JS) == []
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        page.screenshot(path=SHOTS / f"camp-open-{'night' if dark else 'day'}.png", full_page=True)


def test_a_cook_without_scripts_closes_a_hold(browser, house):
    larder, base = house
    with watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.goto(f"{base}/camp/vehicle-3")
        cabinet = page.locator("#v3-meat")
        cabinet.locator("summary", has_text="Close the hold").click()
        form = cabinet.locator("form").first
        form.locator("[name=person]").select_option("Jonas K.")
        form.locator("[name=probe_c]").fill("3,4")
        assert form.locator("[name=disposition] option").all_inner_texts() == ["choose", "discarded"]
        form.locator("[name=disposition]").select_option("discarded")
        form.locator("[name=reason]").fill("stood warm since breakfast")
        form.locator("button").click()
        page.wait_for_url("**/camp/vehicle-3?noted=v3-meat#v3-meat")
        assert "Written down: Meat chest" in page.inner_text("body")
        assert page.inner_text("#v3-meat .w b") == text.WORDS[Verdict.WATCH]
    said = larder.records.statements("v3-meat")[0]
    assert (said.who, said.body["probe_c"]) == ("Jonas K.", 3.4)


def test_a_change_moves_the_row_on_an_open_fleet_page(browser, house):
    larder, base = house
    with watched_page(browser, DESK) as watched:
        page = watched.page
        page.goto(f"{base}/fleet")
        settled(page, "fleet")
        assert "Cold" in page.inner_text("#row-camp-fish")
        page.focus("#row-camp-milk a")
        worse = card(
            "camp-fish", standing=Verdict.DISCARD_ADVISED, standing_why="thawed", minutes_worst_case=999.0
        )
        larder.records.write_card(worse, analysis(worse))
        until(page, "document.querySelector('tr[id]').id === 'row-camp-fish'", 5)
        assert DISCARD in page.inner_text("#row-camp-fish")


def test_the_fleet_page_says_when_it_is_no_longer_live(browser, tmp_path):
    larder = open_judged_larder(tmp_path)
    with browser.new_context() as context:
        page = context.new_page()
        with serving(app_of(larder)) as base:
            page.goto(f"{base}/fleet")
            settled(page, "fleet")
        until(
            page,
            "document.getElementById('live').textContent.startsWith('not live')",
        )
    larder.close()


def test_zooming_fetches_finer_readings(browser, base):
    with watched_page(browser, DESK) as watched:
        page = watched.page
        page.goto(f"{base}/units/v3-meat?span=14d")
        settled(page, "unit")
        coarse = page.evaluate("document.getElementById('chart').layout.meta.bin_s")
        figures = [url for url in watched.requests if "figure.json" in url]
        assert len(figures) == 1
        page.evaluate("Plotly.relayout('chart', {'xaxis.range': ['2026-03-04 12:00', '2026-03-04 16:00']})")
        until(page, f"document.getElementById('chart').layout.meta.bin_s < {coarse}")
        asked = [url for url in watched.requests if "figure.json" in url][-1]
        assert re.search(r"from=2026-03-04T10%3A00.*to=2026-03-04T14%3A00", asked), (
            "the site is two hours ahead"
        )


def test_without_scripts_the_unit_page_still_has_its_readings(browser, base):
    with watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.goto(f"{base}/units/v3-meat")
        page.locator("summary", has_text="The same as a table").click()
        assert page.locator("#chart ~ details tbody tr").count() == 13, "25 hours, the ends in part, by two"


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_somebody_asks_without_scripts_whether_batteries_last_until_a_time(browser, base, size):
    with watched_page(browser, size, scripts=False) as watched:
        page = watched.page
        page.goto(f"{base}/tonight")
        page.get_by_label("Will they last until").fill("05:30")
        page.get_by_role("button", name="Ask").click()
        page.wait_for_url("**/tonight?until=05%3A30")
        shown = page.inner_text("body")
        assert "may not last until 05:30" in shown
        assert "to the time asked for, 05:30" in shown
        assert page.get_by_label("Will they last until").input_value() == "05:30"
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        page.get_by_role("link", name="back to the whole night").click()
        page.wait_for_url("**/tonight")
        assert "05:30" not in page.inner_text("body")


def test_an_old_cooks_page_stops_claiming_anything(browser, house):
    _, base = house
    with watched_page(browser, PHONE) as watched:
        page = watched.page
        page.clock.install()
        page.goto(f"{base}/camp/river-camp")
        assert page.inner_text("#camp-fish .w b") == "Cold"
        page.locator("summary").first.click()  # an open form is never pulled away, so the page grows old
        page.clock.run_for(16 * 60_000)
        assert page.inner_text("#camp-fish .w b") == "Not known"
        assert "This page is old" in page.inner_text("#lapsed")
        assert not page.locator("#camp-fish ol").is_visible()
        assert page.inner_text("#camp-milk .w b") == f"Not known ({HOLD})"
        assert "16 min ago" in page.inner_text("#camp-fish") or "17 min ago" in page.inner_text("#camp-fish")


def stray(browser):
    with watched_page(browser, DESK) as watched:
        watched.page.set_content('<img src="http://192.0.2.1/x.png">')
        watched.page.wait_for_timeout(200)


def test_the_watch_on_pages_notices_a_request_to_the_outside(browser):
    with pytest.raises(AssertionError, match="off this machine"):
        stray(browser)
