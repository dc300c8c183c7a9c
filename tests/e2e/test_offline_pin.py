"""A phone several people use: the name is chosen at signing, the PIN shown once there is a connection."""

import pytest

from services.api.passwords import Passwords
from tests.helpers.browser import chromium_path
from tests.helpers.guarded import CHEAP, Guarded
from tests.helpers.larder import open_larder
from tests.helpers.offline import CAMP, PIN, camp_of, outbox_empty, ready, wait_for

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine"),
]

UNIT, COOK = "camp-fish", "Jonas K."


@pytest.fixture
def camp(tmp_path, browser):
    larder = open_larder(tmp_path)
    with camp_of(Guarded(larder), browser) as found:
        hashed = Passwords(CHEAP).hash(PIN)
        found.records.set_pin(found.guarded.account("cook").no, hashed, now_ms=found.guarded.now_ms)
        yield found
    larder.close()


def sign(page, name=COOK):
    form = page.locator("form", has=page.locator("input[name=kind][value=checked]"))
    form.locator("select[name=unit]").select_option(UNIT)
    form.locator("select[name=person]").select_option(name)
    form.locator("button").click()


def show(page, pin):
    page.locator("#outbox input[name=pin]").fill(pin)
    page.get_by_role("button", name="Verify").click()


def test_a_chosen_name_is_not_verified_until_its_pin_is_shown(camp):
    with camp.phone(camp.device()) as phone:
        page = phone.new_page()
        ready(page, f"{camp.base}{CAMP}/check")
        phone.set_offline(True)
        sign(page)
        page.get_by_text("not sent yet: 1").wait_for()
        sign(page)
        page.get_by_text("not sent yet: 2").wait_for()
        phone.set_offline(False)
        page.get_by_text(f"2 written down, not verified yet: PIN of {COOK}").wait_for()
        assert [each.signed for each in camp.said(UNIT, "checked")] == ["device", "device"]

        show(page, "9999")
        page.get_by_text("That PIN does not belong to that name").wait_for()
        assert [each.signed for each in camp.said(UNIT, "checked")] == ["device", "device"]
        kept = page.evaluate(
            """() => new Promise((done) => {
                const asked = indexedDB.open("bushlarder-outbox", 1);
                asked.onsuccess = () => {
                  const all = asked.result.transaction("words").objectStore("words").getAll();
                  all.onsuccess = () => done(JSON.stringify(all.result) + JSON.stringify(localStorage));
                };
            })"""
        )
        assert COOK in kept
        assert "9999" not in kept

        show(page, PIN)
        outbox_empty(page)
        wait_for(lambda: [each.signed for each in camp.said(UNIT, "checked")] == ["pin", "pin"], "the PIN")


def test_wrong_pins_are_slowed_down_and_the_words_stay(camp):
    with camp.phone(camp.device()) as phone:
        page = phone.new_page()
        ready(page, f"{camp.base}{CAMP}/check")
        sign(page)
        page.get_by_text("1 written down, not verified yet").wait_for()
        for wrong in ("1111", "2222", "3333", "4444", "5555"):
            with page.expect_response("**/kept/pin") as answer:
                show(page, wrong)
            assert answer.value.status == 403
        show(page, PIN)
        page.get_by_text("Too many tries").wait_for()
        page.reload()
        page.get_by_text("1 written down, not verified yet").wait_for()
    assert [each.signed for each in camp.said(UNIT, "checked")] == ["device"]


def test_words_may_be_left_not_verified_and_are_told_so(camp):
    with camp.phone(camp.device()) as phone:
        page = phone.new_page()
        ready(page, f"{camp.base}{CAMP}/check")
        sign(page)
        page.get_by_text("1 written down, not verified yet").wait_for()
        asked = []
        page.once("dialog", lambda dialog: (asked.append(dialog.message), dialog.dismiss()))
        page.get_by_role("button", name="Leave it not verified").click()
        assert asked == [f"It stays written down in the name of {COOK}, as not verified. Leave it so?"]
        page.get_by_text("1 written down, not verified yet").wait_for()
        page.once("dialog", lambda dialog: dialog.accept())
        page.get_by_role("button", name="Leave it not verified").click()
        outbox_empty(page)
        page.reload()
        page.locator("html[data-looks]").wait_for(state="attached")
        assert page.locator("#outbox").count() == 0
        assert [each.signed for each in camp.said(UNIT, "checked")] == ["device"]
        page.goto(f"{camp.base}/history?unit={UNIT}&kind=said")
        line = page.get_by_role("row").filter(has_text="looked at the cabinet").inner_text()
        assert COOK in line
        assert "(verified)" not in line
