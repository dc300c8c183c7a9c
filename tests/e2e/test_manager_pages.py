"""The manager's own pages in a real browser: what stands on them, at every size, on paper, and live."""

import re

import pytest

from dashboards import text
from services.domain import Verdict
from tests.helpers.browser import DESK, PHONE, chromium_path, watched_page
from tests.helpers.every_page import mapped
from tests.helpers.larder import NOW_MS, analysis, card
from tests.helpers.looks import CONTRAST_JS
from tests.helpers.shots import SHOTS
from tests.helpers.web import serving

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine"),
]

SMALLEST_DESK = (1024, 768)
DISCARD, HOLD = text.WORDS[Verdict.DISCARD_ADVISED], text.WORDS[Verdict.HOLD]
EXPECTED = {
    "fleet": ("/", ["4 of 5 need somebody now", "Meat chest", "cook, then you", DISCARD, "River camp"]),
    "departure": ("/departure", ["0 of 1 may leave", "Vehicle 3: Not yet", "Meat chest", "3.1 °C"]),
    "supplies": ("/supplies", ["2 on hold now", "Meat chest", "Milk fridge"]),
    "map": ("/map", ["Vehicle 3", "Ridge gate", "River camp", DISCARD, HOLD, "17.20° S"]),
    "compare": ("/compare?units=v3-meat,camp-milk,camp-fish", ["Side by side", "Meat chest", "20 h 00 min"]),
    "history": ("/history", ["First verdict: Discard advised", "readings that came late", "Milk fridge"]),
    "unit": ("/units/v3-meat?span=24h", ["Meat chest", "Modelled food", "Compare with others"]),
}


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    larder, app = mapped(tmp_path_factory.mktemp("house"))
    with serving(app) as found:
        yield found
    larder.close()


def until(page, expression, tries=200):
    """Wait for an expression to hold; the policy of the pages forbids the browser's own way of waiting."""
    for _ in range(tries):
        if page.evaluate(expression):
            return
        page.wait_for_timeout(50)
    raise AssertionError(f"never came true: {expression}")


@pytest.mark.parametrize("size", [DESK, SMALLEST_DESK, PHONE], ids=["desk", "smallest-desk", "phone"])
@pytest.mark.parametrize("name", EXPECTED)
def test_every_page_says_what_matters_at_every_size(browser, base, name, size):
    path, words = EXPECTED[name]
    with watched_page(browser, size) as watched:
        page = watched.page
        page.goto(base + path)
        if name == "unit":
            page.wait_for_selector("#chart .main-svg")
        shown = page.inner_text("body")
        for word in words:
            assert word in shown, word
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "it scrolls sideways"
        assert page.evaluate(CONTRAST_JS) == []
        page.screenshot(path=SHOTS / f"manager-{name}-{size[0]}.png", full_page=True)


def test_the_departure_list_of_a_dozen_vehicles_prints_on_one_page(browser, tmp_path):
    larder, app = mapped(tmp_path)
    fleet = larder.records.fleet()
    vehicle, unit = fleet.sites[0], fleet.units[0]
    sites = [vehicle.model_copy(update={"id": f"vehicle-{n}", "name": f"Vehicle {n}"}) for n in range(4, 15)]
    units = [
        unit.model_copy(update={"id": f"v{n}-{part}", "site": f"vehicle-{n}", "name": f"{part} {n}"})
        for n in range(4, 15)
        for part in ("meat", "veg")
    ]
    grown = {"sites": (*fleet.sites, *sites), "units": (*fleet.units, *units)}
    larder.records.apply_fleet(fleet.model_copy(update=grown), who="operator", now_ms=NOW_MS)
    for each in units:
        changes = {"unit": each.id, "name": each.name, "site": each.site, "site_name": each.site}
        one = card().model_copy(update=changes)
        larder.records.write_card(one, analysis(one))
    with serving(app) as base, watched_page(browser, DESK) as watched:
        watched.page.goto(f"{base}/departure")
        assert watched.page.locator("article").count() == 12
        printed = watched.page.pdf(format="A4")
    larder.close()
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1


def test_every_page_is_reached_and_used_without_a_script(browser, base):
    with watched_page(browser, DESK, scripts=False) as watched:
        page = watched.page
        page.goto(f"{base}/fleet")
        for name in ("Departure", "Supplies", "Map", "History"):
            page.get_by_role("navigation", name="Pages").get_by_role("link", name=name, exact=True).click()
        page.get_by_label("Cabinet").first.select_option("v3-meat")
        page.get_by_role("button", name="Show").click()
        page.wait_for_url("**unit=v3-meat**")
        assert "Milk fridge" not in page.inner_text("table")
        page.goto(f"{base}/compare")
        page.locator("summary", has_text="Choose cabinets").click()
        page.get_by_label("Fish freezer").check()
        page.get_by_role("button", name="Show them").click()
        page.locator(".strip").nth(3).wait_for()
        assert page.locator(".strip").count() == 4


def test_what_somebody_folded_stays_folded_while_the_page_lives(browser, tmp_path):
    larder, app = mapped(tmp_path)
    with serving(app) as base, watched_page(browser, DESK) as watched:
        page = watched.page
        page.goto(f"{base}/fleet")
        until(page, "document.getElementById('live').textContent.startsWith('live')")
        page.locator("#place-river-camp summary").click()
        worse = card("v3-veg", standing=Verdict.HOLD, standing_why="stood open")
        larder.records.write_card(worse, analysis(worse))
        until(page, "document.getElementById('row-v3-veg').innerText.includes('Stood open')")
        assert not page.evaluate("document.getElementById('place-river-camp').open")
        better = card("v3-veg")
        larder.records.write_card(better, analysis(better))
        until(page, "document.getElementById('row-v3-veg').tagName === 'LI'")
        assert not page.evaluate("document.getElementById('place-river-camp').open")
    larder.close()


def test_the_chart_reaches_into_the_hours_to_come(browser, base):
    with watched_page(browser, DESK) as watched:
        page = watched.page
        page.goto(f"{base}/units/v3-meat?span=24h")
        page.wait_for_selector("#chart .main-svg")
        notes = page.evaluate("document.getElementById('chart').layout.annotations.map((a) => a.text)")
        assert "may stop from here" in notes
        assert "food at risk from here" in notes
        names = page.evaluate("document.getElementById('chart').data.map((t) => t.name)")
        assert "Food, modelled: the warmest" in names


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_a_long_span_shows_its_days_as_chart_words_and_table(browser, base, size):
    with watched_page(browser, size) as watched:
        page = watched.page
        page.goto(f"{base}/units/v3-meat?span=60d")
        page.wait_for_selector("#days-chart .main-svg")
        names = page.evaluate("document.getElementById('days-chart').data.map((t) => t.name)")
        assert names == ["Cabinet air above 5.0 °C", "Not known"]
        assert "Cabinet air stood above 5.0 °C for " in page.inner_text("#days-words")
        page.locator("#days-chart ~ details summary").click()
        assert page.locator("#days-chart ~ details tbody tr").count() == 61, "the first day in part"
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "it scrolls sideways"
        assert page.evaluate(CONTRAST_JS) == []
