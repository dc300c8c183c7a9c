"""The cook's phone without a connection, in a real browser: what it shows, keeps, and sends once."""

import pytest

from services.domain import BatchNew, Verdict
from services.monitor.noticing import Noticing
from services.timebase import HOUR_MS, MINUTE_MS
from tests.helpers.browser import chromium_path
from tests.helpers.guarded import Guarded
from tests.helpers.larder import NOW_MS, card, open_larder
from tests.helpers.offline import CAMP, camp_of, kept, outbox_empty, ready, told, wait_for

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine"),
]

UNIT = "camp-fish"


@pytest.fixture
def camp(tmp_path, browser):
    larder = open_larder(tmp_path)
    with camp_of(Guarded(larder), browser) as found:
        yield found
    larder.close()


def sign(page, unit=UNIT, note=""):
    """Sign the check of a cabinet on the page of checks."""
    form = page.locator("form", has=page.locator("input[name=kind][value=checked]"))
    form.locator("select[name=unit]").select_option(unit)
    form.locator("input[name=note]").fill(note)
    form.locator("button").click()


def probe(page, reading, unit=UNIT):
    """Write down a probe reading on the page of checks."""
    form = page.locator("form", has=page.locator("input[name=kind][value=probe]"))
    form.locator("select[name=unit]").select_option(unit)
    form.locator("input[name=probe_c]").fill(reading)
    form.locator("button").click()


def test_what_is_signed_offline_survives_the_tab_and_is_in_the_book_once_with_both_times(camp):
    with camp.phone(camp.cook()) as phone:
        page = phone.new_page()
        ready(page, camp.base + CAMP)
        phone.set_offline(True)
        page.goto(f"{camp.base}{CAMP}/check")
        assert page.locator("#kept").is_visible()
        sign(page, note="morning")
        page.get_by_text("not sent yet: 1").wait_for()
        sign(page, note="again at noon")
        page.get_by_text("not sent yet: 2").wait_for()
        probe(page, "3,5")
        page.get_by_text("not sent yet: 3").wait_for()
        page.close()

        assert camp.said(UNIT, "checked") == camp.said(UNIT, "probe") == []
        back = phone.new_page()
        back.goto(f"{camp.base}{CAMP}")
        back.get_by_text("not sent yet: 3").wait_for()
        phone.set_offline(False)
        wait_for(lambda: camp.said(UNIT, "probe"), "the reading taken without a connection")
        outbox_empty(back)

    signed, probed = camp.said(UNIT, "checked"), camp.said(UNIT, "probe")
    assert [each.body["note"] for each in signed] == ["morning", "again at noon"]
    assert [each.body["probe_c"] for each in probed] == [3.5]
    for each in (*signed, *probed):
        assert (each.who, each.signed) == ("Jonas K.", "account")
        assert each.phone is not None
        assert each.phone.doubt == ""
        assert each.phone.received == NOW_MS
        assert each.t_ms == NOW_MS - (each.phone.sent - each.phone.said)
        assert each.phone.said < each.phone.sent


def test_food_is_put_in_and_moved_without_a_connection(camp):
    new = BatchNew(what="Trout", food_class="fish", unit=UNIT)
    number = camp.records.load_batch(new, who="Jonas K.", now_ms=NOW_MS - HOUR_MS)
    with camp.phone(camp.cook()) as phone:
        page = phone.new_page()
        ready(page, camp.base + CAMP)
        phone.set_offline(True)
        page.goto(f"{camp.base}{CAMP}/add")
        page.locator("select[name=unit]").select_option(UNIT)
        name = page.locator("button[name=template]").first.inner_text()
        page.locator("button[name=template]").first.click()
        page.get_by_text("not sent yet: 1").wait_for()
        page.goto(f"{camp.base}/batches/{number}")
        box = page.locator("details", has=page.locator("summary", has_text="Move it to another cabinet"))
        box.locator("summary").click()
        box.locator("select[name=unit]").select_option("camp-milk")
        box.locator("button").click()
        page.get_by_text("not sent yet: 2").wait_for()
        phone.set_offline(False)
        outbox_empty(page)
    events = camp.records.batch_events(number)
    assert [each.kind for each in events] == ["loaded", "moved"]
    assert events[-1].phone is not None
    assert events[-1].t <= events[-1].said == NOW_MS
    assert [each.batch.what for each in camp.records.batch_cards(unit=UNIT, place="stored")] == [name]


def test_a_notice_is_taken_with_one_tap_offline_and_written_with_both_times(camp):
    noticing = Noticing(camp.records)
    for minutes in (50, 30, 10):
        noticing.step(NOW_MS - minutes * MINUTE_MS)
    (notice,) = [n for n in camp.records.notices(now_ms=NOW_MS) if n.who == "cook" and n.site == "river-camp"]
    with camp.phone(camp.cook()) as phone:
        page = phone.new_page()
        ready(page, camp.base + CAMP)
        phone.set_offline(True)
        page.get_by_role("button", name="I see to it: Silent: not known").click()
        page.get_by_text("not sent yet: 1").wait_for()
        assert camp.records.notice(notice.id, now_ms=NOW_MS).state == "new"
        phone.set_offline(False)
        page.evaluate("dispatchEvent(new Event('online'))")
        outbox_empty(page)
        page.get_by_text("Jonas K. sees to it").wait_for()
    line = camp.records.notice(notice.id, now_ms=NOW_MS).lines[-1]
    assert (line.kind, line.who, line.signed, line.at) == ("acknowledged", "Jonas K.", "account", NOW_MS)
    assert line.said is not None
    assert line.said <= line.at


def test_a_lost_reply_is_asked_for_again_and_written_down_once(camp):
    with camp.phone(camp.cook()) as phone:
        page = phone.new_page()
        ready(page, f"{camp.base}{CAMP}/check")
        lost = []

        def lose(route):
            if len(lost) < 2:
                lost.append(route.fetch().status)
                route.abort()
            else:
                route.continue_()

        phone.route("**/check", lambda r: lose(r) if r.request.method == "POST" else r.continue_())
        probe(page, "2.0")
        page.get_by_text("not sent yet: 1").wait_for()
        page.evaluate("dispatchEvent(new Event('online'))")
        wait_for(lambda: len(lost) == 2, "a second try", page)
        page.evaluate("dispatchEvent(new Event('online'))")
        outbox_empty(page)
    assert lost == [201, 200]
    assert [each.body["probe_c"] for each in camp.said(UNIT, "probe")] == [2.0]


def test_a_kept_page_tells_its_age_and_its_verdicts_lapse_to_not_known(camp):
    with camp.phone(camp.cook()) as phone:
        page = phone.new_page()
        page.clock.install()
        page.goto(camp.base + CAMP)
        page.clock.run_for(1_000)  # the browser's idle moment is one of its clock's
        kept(page)
        phone.set_offline(True)
        page.reload()
        assert "was kept on this phone at 17:05" in page.locator("#kept").inner_text()
        words = page.locator(".w b").all_inner_texts()
        assert any("Not known" not in each for each in words)
        page.clock.fast_forward(14 * MINUTE_MS)
        page.clock.run_for(11_000)
        assert "14 min ago" in page.locator("#kept").inner_text()
        assert page.locator(".w b").all_inner_texts() == words
        page.clock.fast_forward(2 * MINUTE_MS)
        page.clock.run_for(11_000)
        lapsed = page.locator(".w b").all_inner_texts()
        assert all(each.startswith("Not known") for each in lapsed), lapsed
        assert page.locator("#lapsed").is_visible()
        # a page that is opened only now lapses at once: its age is not that of the tab
        page.reload()
        assert all(each.startswith("Not known") for each in page.locator(".w b").all_inner_texts())


def test_a_refused_word_stays_with_the_service_s_reason_and_can_be_corrected_or_thrown_away(camp):
    with camp.phone(camp.cook()) as phone:
        page = phone.new_page()
        ready(page, f"{camp.base}{CAMP}/check")
        phone.set_offline(True)
        page.evaluate("document.querySelectorAll('[pattern]').forEach(e => e.removeAttribute('pattern'))")
        probe(page, "warm")
        page.get_by_text("not sent yet: 1").wait_for()
        phone.set_offline(False)
        page.get_by_text("warm is not a temperature").wait_for()
        assert camp.said(UNIT, "probe") == []
        page.locator("#outbox label", has_text="Core").locator("input").fill("4")
        page.get_by_role("button", name="Send it again").click()
        outbox_empty(page)
        assert [each.body["probe_c"] for each in camp.said(UNIT, "probe")] == [4.0]


def test_a_session_that_ended_meanwhile_leaves_everything_in_the_outbox(camp):
    secret = camp.cook()
    with camp.phone(secret) as phone:
        page = phone.new_page()
        ready(page, f"{camp.base}{CAMP}/check")
        phone.set_offline(True)
        sign(page)
        page.get_by_text("not sent yet: 1").wait_for()
        session = camp.records.session(secret, now_ms=NOW_MS)
        camp.records.end_session(session.digest)
        phone.set_offline(False)
        page.get_by_role("link", name="Log in again").wait_for()
        assert "not sent yet: 1" in told(page)
        assert camp.said(UNIT, "checked") == []
        phone.add_cookies([{"name": "bushlarder", "value": camp.cook(), "url": camp.base}])
        page.evaluate("dispatchEvent(new Event('online'))")
        outbox_empty(page)
    assert len(camp.said(UNIT, "checked")) == 1


def test_a_hold_is_not_closed_later_and_says_so(camp):
    held = card(UNIT, site="river-camp", name="Fish chest", standing=Verdict.HOLD, as_of=NOW_MS)
    with camp.records._database.writing() as session:
        from services.records import state  # noqa: PLC0415 - only here
        from services.records.tables import StateRow  # noqa: PLC0415 - only here

        state.put_card(session, session.get(StateRow, UNIT), held)
    with camp.phone(camp.cook()) as phone:
        page = phone.new_page()
        ready(page, camp.base + CAMP)
        phone.set_offline(True)
        box = page.locator("details", has=page.locator("summary", has_text="Close the hold"))
        box.locator("summary").click()
        box.locator("input[name=probe_c]").fill("3")
        box.locator("select[name=disposition]").select_option("kept")
        box.locator("input[name=reason]").fill("cold to the touch")
        box.locator("button").click()
        box.get_by_text("closed with a connection only").wait_for()
        assert told(page) == ""
    assert camp.said(UNIT, "release") == []
