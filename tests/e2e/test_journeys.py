"""Two people at work in a real browser: a cook in the morning, a manager at dusk."""

import re

import pytest

from services.analytics.planning.planner import plan
from tests.helpers.browser import DESK, PHONE, chromium_path, watched_page
from tests.helpers.every_page import come_in, furnished
from tests.helpers.guarded import Guarded
from tests.helpers.shots import SHOTS
from tests.helpers.web import serving

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine"),
]


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    """Where a house with accounts is served; times on its pages are those of 17:05 at the places."""
    larder, _ = furnished(tmp_path_factory.mktemp("journeys"))
    app = Guarded(larder).app
    app.state.planner = plan
    with serving(app) as found:
        yield found
    larder.close()


def words_of(locator):
    """Return what is read there, with plain dashes."""
    plain = locator.inner_text().replace("\N{MINUS SIGN}", "-").replace("\N{EN DASH}", "-")
    return re.sub(r"\s+", " ", plain)


def test_the_cook_checks_in_the_morning_and_puts_a_slip_right(browser, base):
    with watched_page(browser, PHONE) as watched:
        page = watched.page
        come_in(page, base, "cook")
        page.get_by_role("link", name="River camp").click()
        milk = words_of(page.locator("#camp-milk"))
        for told in ("Milk fridge", "Hold - do not serve", "2.2 °C", "(21:04 yesterday)", "Close the hold"):
            assert told in milk, told
        assert "Cold" in words_of(page.locator("#camp-fish .w"))
        assert "Not known" in words_of(page.locator("#camp-new .w"))

        page.locator("#camp-milk").get_by_role("link", name="Warm time").click()
        page.wait_for_url("**/why#warm")
        assert "It never goes down when it gets cold again." in page.inner_text("main")
        page.go_back()

        page.get_by_role("link", name="Check, probe, help").click()
        reading = page.locator("form", has=page.get_by_label("Core, °C"))
        reading.get_by_label("Cabinet").select_option("camp-fish")
        reading.get_by_label("Core, °C").fill("\N{MINUS SIGN}1,8")
        with page.expect_navigation():  # by the form itself, or by the outbox that took it
            reading.get_by_role("button", name="Write down the reading").click()
        page.get_by_text("Written down: Fish freezer").wait_for()
        signing = page.locator("form", has=page.get_by_role("button", name="Sign the check"))
        signing.get_by_label("Cabinet").select_option("camp-fish")
        with page.expect_navigation():  # by the form itself, or by the outbox that took it
            signing.get_by_role("button", name="Sign the check").click()
        page.get_by_text("Written down: Fish freezer").wait_for()

        page.goto(f"{base}/units/camp-fish")
        said = page.locator("#said li", has_text="core \N{MINUS SIGN}1.8 °C")
        line = re.search(r"Line (\d+), 2026-03-04 17:0[45], name verified", words_of(said)).group(1)
        assert "signed the check" in words_of(page.locator("#said"))
        page.get_by_text("A line of what was said is wrong").click()
        form = page.locator("form[action$='/correct']")
        form.get_by_label("Which line").select_option(line)
        form.get_by_label(re.compile("What it truly read")).fill("-18")
        form.get_by_label("What was wrong").fill("a digit too few")
        form.get_by_role("button", name="Add the correction").click()
        page.get_by_role("status").get_by_text("Written down.").wait_for()
        told = words_of(page.locator("#said"))
        fixed = f"Jonas K.: corrects line {line} (probe reading in food): it read -18.0 °C. a digit too few"
        assert fixed in told
        assert re.search(r"core -1\.8 °C\. Corrected by line \d+\.", told), "the wrong line stays"

        page.goto(f"{base}/history?unit=camp-fish&kind=said")
        rows = [words_of(row) for row in page.locator("tbody tr").all()]
        assert len(rows) == 3
        assert all("Jonas K. (verified)" in row and "2026-03-04 17:0" in row for row in rows)
        assert "Corrects line" in rows[0]
        assert "corrected by line" in rows[2]


def test_a_hold_that_cannot_be_closed_that_way_leads_back_to_its_cabinet(browser, base):
    with watched_page(browser, PHONE) as watched:
        page = watched.page
        come_in(page, base, "manager")
        page.goto(f"{base}/units/v3-meat")
        form = page.locator("form[action$='/release']")
        form.get_by_label("Probe, warmest pack, °C").fill("cold")
        page.evaluate("document.querySelectorAll('form').forEach((f) => { f.noValidate = true; })")
        form.get_by_label("What became of it").select_option("discarded")
        form.get_by_label("Reason").fill("stood warm")
        with page.expect_response("**/release") as answer:
            form.get_by_role("button", name="Close the hold").click()
        assert answer.value.status == 422
        assert "is not a temperature" in page.inner_text("main")
        watched.complaints.clear()  # the browser reports the refused form itself
        page.get_by_role("link", name="Back to the cabinet").click()
        page.wait_for_url("**/units/v3-meat")
        assert "Discard advised" in page.inner_text("#standing")


def test_the_manager_decides_at_dusk_which_vehicle_must_drive(browser, base):
    with watched_page(browser, DESK) as watched:
        page = watched.page
        come_in(page, base, "manager")
        assert "4 of 5 need somebody now." in page.inner_text("#rows")
        names = [words_of(cell) for cell in page.locator(".now tbody th").all()]
        assert [name.split(" Vehicle")[0].split(" River")[0] for name in names] == [
            *("Meat chest", "Milk fridge", "New fridge", "Salad drawer")
        ]

        page.get_by_role("navigation", name="Pages").get_by_role("link", name="Tonight").click()
        first = page.locator("article.job").first
        told = words_of(first)
        for words in ("Meat chest, Salad drawer", "Vehicle 3", "Will not last", "plan on 17:56"):
            assert words in told, words
        assert "food at risk from 18:04 (likely 20:05)" in told
        assert "Charge for" in words_of(first.locator("ol li").first)

        question = page.get_by_role("button", name="Chance of lasting: what is that?")
        question.focus()
        page.keyboard.press("Enter")
        answer = page.locator("#why-chance")
        assert answer.is_visible()
        assert "nine in ten somebody should act" in words_of(answer)
        page.keyboard.press("Escape")
        assert not answer.is_visible()

        page.get_by_label("Will they last until").fill("17:30")
        page.get_by_role("button", name="Ask").click()
        page.wait_for_url("**until=17*")
        meat = page.locator("article.job", has_text="Meat chest")
        assert "to the time asked for, 17:30" in words_of(meat)
        page.screenshot(path=SHOTS / "journey-tonight.png", full_page=True)

        page.get_by_role("link", name="Plan a trip").click()
        page.get_by_label("Vehicle or camp").select_option("vehicle-3")
        page.get_by_label("Nights").fill("1")
        page.get_by_label("First drive, hours").fill("0")
        page.get_by_label("Second drive, hours").fill("0")
        page.get_by_label("Battery charge, %").fill("15")
        page.get_by_role("button", name="Work it out").click()
        page.get_by_role("heading", name="What would make it hold").wait_for()
        parked = words_of(page.get_by_role("region", name="The plan"))
        assert "It does not hold" in parked
        assert "Meat chest" in parked
        page.get_by_label("First drive, hours").fill("4")
        page.get_by_label("Second drive, hours").fill("4")
        page.get_by_role("button", name="Work it out").click()
        page.wait_for_url("**drive1_h=4*")
        driven = words_of(page.get_by_role("region", name="The plan"))
        assert share(driven) > share(parked), "driving helps"


def share(words):
    """Return of how many trips of a hundred a plan says that they come through."""
    return int(re.search(r"(\d+) % of 200 drawn trips", words).group(1))
