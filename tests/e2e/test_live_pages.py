"""Pages that keep themselves current over one stream each, and are honest when the link is gone."""

import re
import time

import pytest

from services.domain import Verdict
from tests.helpers.browser import DESK, PHONE, chromium_path, watched_page
from tests.helpers.larder import CUTOUT, analysis, app_of, card, open_judged_larder
from tests.helpers.web import serving

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine"),
]

WARM = "document.getElementById('main').innerText.includes('13.7 °C')"
PAGES = {
    "/fleet": WARM,
    "/tonight": WARM,
    "/departure": WARM,
    "/map": WARM,
    "/units/v3-veg": WARM,
    "/workshop": "document.querySelector('#due #v3-veg') !== null",
    "/supplies": "document.getElementById('places').innerText.includes('Salad drawer')",
}
"""Each page of a desk, and what becomes true on it when the salad drawer warms after a cut-out."""
OLD = "Not known: this page is old"
LIVE_NOW = "document.querySelector('#live [role=status]').textContent === 'live'"
LOST_NOW = "document.querySelector('#live [role=status]').textContent.startsWith('not live since')"


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    larder = open_judged_larder(tmp_path_factory.mktemp("house"))
    with serving(app_of(larder)) as base:
        yield larder, base
    larder.close()


def until(page, expression, timeout_s=40.0):
    """Wait for an expression to hold; the policy of the pages forbids the browser's own way of waiting."""
    deadline = time.monotonic() + timeout_s
    while not page.evaluate(expression):
        assert time.monotonic() < deadline, f"never came true: {expression}"
        time.sleep(0.05)


def say(larder, verdict):
    """Have the judge find something of the salad drawer."""
    warm = {
        "standing_why": "it warmed after a cut-out",
        "latest": {"cabinet_c": 13.7, "battery_v": 11.2, "compressor_on": False},
        "cutouts": (CUTOUT,),
        "cut_out_now": True,
    }
    one = card("v3-veg", standing=verdict, **(warm if verdict is Verdict.HOLD else {}))
    larder.records.write_card(one, analysis(one))


def test_every_page_shows_a_change_by_itself_over_one_stream(browser, house):
    larder, base = house
    with watched_page(browser, DESK) as watched:
        page = watched.page
        page.set_default_timeout(60_000)
        for path, changed in PAGES.items():
            say(larder, Verdict.OK)
            watched.requests.clear()
            page.goto(base + path)
            until(page, LIVE_NOW)
            assert not page.evaluate(changed), path
            say(larder, Verdict.HOLD)
            until(page, changed)
            assert len([url for url in watched.requests if "/api/v1/live" in url]) == 1, path


def test_the_stream_ends_with_the_look_at_the_page_and_begins_again_with_the_next(browser, house):
    larder, base = house
    say(larder, Verdict.OK)
    with browser.new_context(service_workers="block") as context:
        page = context.new_page()
        begun, ended = [], []
        page.on("request", lambda r: begun.append(r.url) if "/api/v1/live" in r.url else None)
        for event in ("requestfailed", "requestfinished"):
            page.on(event, lambda r: ended.append(r.url) if "/api/v1/live" in r.url else None)
        page.goto(f"{base}/tonight")
        until(page, LIVE_NOW)
        page.evaluate(
            "Object.defineProperty(document, 'hidden', {value: true, configurable: true});"
            "document.dispatchEvent(new Event('visibilitychange'))"
        )
        for _ in range(400):
            if ended:
                break
            page.wait_for_timeout(50)
        assert (len(begun), len(ended)) == (1, 1)
        say(larder, Verdict.HOLD)
        page.evaluate("delete document.hidden; document.dispatchEvent(new Event('visibilitychange'))")
        until(page, WARM)
        until(page, LIVE_NOW)
        assert len(begun) == 2


def test_a_page_cut_off_says_since_when_counts_on_and_claims_nothing_after_a_quarter_of_an_hour(
    browser, house
):
    larder, base = house
    say(larder, Verdict.OK)
    with browser.new_context(service_workers="block") as context:
        page = context.new_page()
        page.clock.install()
        page.goto(f"{base}/fleet")
        until(page, LIVE_NOW)
        assert OLD not in page.inner_text("body")
        ages = page.eval_on_selector_all("#rows time[data-t]", "(all) => all.map((one) => one.textContent)")
        context.set_offline(True)
        until(page, LOST_NOW)
        assert re.search(r"not live since \d\d:\d\d, trying again", page.inner_text("#live"))
        page.clock.fast_forward("16:00")
        until(page, f"document.getElementById('rows').innerText.includes('{OLD}')")
        later = page.eval_on_selector_all("#rows time[data-t]", "(all) => all.map((one) => one.textContent)")
        assert all(re.fullmatch(r"\d+ s ago|\d+ min ago", one) for one in ages[:1])
        assert later != ages
        good = page.eval_on_selector_all(
            ".v-ok .verdict b, .v-watch .verdict b", "(all) => all.map((one) => one.textContent)"
        )
        assert good
        assert set(good) == {OLD}
        context.set_offline(False)
        until(page, LIVE_NOW)
        until(page, f"!document.getElementById('rows').innerText.includes('{OLD}')")


def test_every_page_that_says_something_good_takes_it_back_when_it_is_old(browser, house):
    larder, base = house
    say(larder, Verdict.OK)
    with browser.new_context(service_workers="block") as context:
        page = context.new_page()
        page.clock.install()
        for path in ("/tonight", "/departure", "/map", "/units/v3-veg"):
            page.goto(base + path)
            until(page, LIVE_NOW)
            assert OLD not in page.inner_text("body"), path
            context.set_offline(True)
            page.clock.fast_forward("16:00")
            until(page, f"document.body.innerText.includes('{OLD}')")
            context.set_offline(False)


def test_a_link_that_dies_without_a_word_is_told_after_the_signs_stay_away(browser, house):
    _, base = house
    with browser.new_context(service_workers="block") as context:
        page = context.new_page()
        page.clock.install()
        page.goto(f"{base}/supplies")
        until(page, LIVE_NOW)
        context.route("**/api/v1/live**", lambda route: route.abort())
        page.clock.fast_forward("00:45")
        until(page, LOST_NOW)
        context.unroute("**/api/v1/live**")
        page.clock.fast_forward("00:06")
        until(page, LIVE_NOW)


def test_a_page_reads_without_a_script(browser, house):
    _, base = house
    with watched_page(browser, DESK, scripts=False) as watched:
        for path in PAGES:
            watched.page.goto(base + path)
            assert re.match(r"as of \d{4}-\d\d-\d\d", watched.page.inner_text("#live")), path


def test_the_camp_page_hears_of_changes_over_one_stream_and_says_when_it_does_not(browser, house):
    larder, base = house
    larder.records.write_card(cold := card("camp-milk"), analysis(cold))
    with browser.new_context(
        service_workers="block", viewport={"width": PHONE[0], "height": PHONE[1]}
    ) as context:
        page = context.new_page()
        begun = []
        page.on("request", lambda r: begun.append(r.url) if "/api/v1/live" in r.url else None)
        with page.expect_request("**/api/v1/live", timeout=60_000):
            page.goto(f"{base}/camp/river-camp")
        held = card("camp-milk", standing=Verdict.HOLD, standing_why="the lid stood open")
        for _ in range(20):  # the stream begins with what comes after it; nobody is told when it is there
            larder.records.write_card(held, analysis(held))
            page.wait_for_timeout(1_000)
            if "The lid stood open" in page.inner_text("#camp-milk"):
                break
        assert "The lid stood open" in page.inner_text("#camp-milk")
        assert len(begun) == 1
        context.set_offline(True)
        until(
            page,
            "/^not live since [0-9:]{5}, trying again$/.test(document.getElementById('line')?.textContent)",
        )
        context.set_offline(False)
        until(page, "document.getElementById('line') === null", 60.0)
