"""The page of notices in a browser: what waits moves slowly and beside the words, and sounds if allowed."""

import pytest

from services.domain import NoticeSaid
from services.monitor.noticing import Noticing
from services.timebase import MINUTE_MS
from tests.helpers.browser import DESK, chromium_path, watched_page
from tests.helpers.larder import NOW_MS, app_of, open_larder
from tests.helpers.web import serving

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine"),
]

BAR = "e => { const s = getComputedStyle(e, '::before'); return [s.animationName, s.animationDuration]; }"
STILL = "[...document.querySelectorAll('main *')].every(e => getComputedStyle(e).animationName === 'none')"


@pytest.fixture
def house(tmp_path):
    larder = open_larder(tmp_path)
    noticing = Noticing(larder.records)
    for minutes in (50, 30, 10):
        noticing.step(NOW_MS - minutes * MINUTE_MS)
    with serving(app_of(larder)) as base:
        yield larder, base
    larder.close()


def test_what_waits_flashes_under_one_hertz_beside_the_words_and_sounds_only_after_a_tap(browser, house):
    larder, base = house
    with watched_page(browser, DESK) as watched:
        page = watched.page
        page.set_default_timeout(60_000)
        page.goto(f"{base}/notices")
        button = page.locator("#sound")
        button.get_by_text("Sound is off: turn it on").wait_for()
        assert button.get_attribute("data-sounded") is None
        waiting = page.locator(".told[data-new]")
        name, length = waiting.first.evaluate(BAR)
        assert (name, float(length.removesuffix("s")) > 1.0) == ("waits", True)
        assert page.evaluate(STILL), "no text moves"
        button.click()
        assert button.inner_text() == "Sound is on: turn it off"
        assert button.get_attribute("data-sounded") == "1"

        (hold,) = [n for n in larder.records.notices(now_ms=NOW_MS) if n.kind == "hold"]
        taken = NoticeSaid(person="Thandi M.", kind="acknowledged")
        larder.records.say_of_notice(hold.id, taken, now_ms=NOW_MS)
        page.reload()
        assert page.locator(f"#notice-{hold.id}[data-new]").count() == 0
        assert page.locator(f"#notice-{hold.id}").count() == 1
        page.emulate_media(reduced_motion="reduce")
        assert waiting.first.evaluate(BAR)[0] == "none"
