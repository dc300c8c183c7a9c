"""Three people with a keyboard and nothing else: cook, manager, workshop."""

import pytest

from tests.helpers.browser import DESK, PHONE, chromium_path, watched_page

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine"),
]

MOST_STEPS = 400
AT_JS = """() => {
  const e = document.activeElement;
  if (!e || e === document.body) return null;
  const style = getComputedStyle(e), box = e.getBoundingClientRect();
  const every = [...document.querySelectorAll("*")];
  return {
    at: every.indexOf(e), tag: e.tagName, words: (e.innerText || e.value || "").trim(),
    href: e.getAttribute("href"), name: e.getAttribute("name"),
    ringed: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2,
    shown: box.width > 0 && box.height > 0 && box.bottom > 0 && box.top < innerHeight && box.right > 0,
  };
}"""


def step(page):
    """Go on by one tab stop and return where that is: it must be seen, and seen to be chosen."""
    page.keyboard.press("Tab")
    found = page.evaluate(AT_JS)
    if found is not None:
        assert found["shown"], f"focus is out of sight: {found}"
        assert found["ringed"], f"focus is not seen: {found}"
    return found


def tab_to(page, wanted):
    """Step until a tab stop is reached that fits."""
    for _ in range(MOST_STEPS):
        found = step(page)
        if found is not None and wanted(found):
            return found
    raise AssertionError("never reached")


def worded(words, tag=None):
    return lambda found: found["words"].startswith(words) and tag in {None, found["tag"]}


def named(name):
    return lambda found: found["name"] == name


@pytest.mark.parametrize(
    ("path", "size"),
    [
        ("/fleet", DESK),
        ("/units/v3-meat", DESK),
        ("/history", DESK),
        ("/camp/vehicle-3", PHONE),
        ("/batches/3", PHONE),
    ],
)
def test_tab_goes_through_a_page_in_its_order_and_out_of_it_again(browser, house, path, size):
    with watched_page(browser, size) as watched:
        page = watched.page
        page.set_default_timeout(60_000)
        page.goto(house.open + path)
        stops = []
        for _ in range(MOST_STEPS):
            found = step(page)
            if found is None or (stops and found["at"] == stops[0]["at"]):
                break
            if not stops or found["at"] != stops[-1]["at"]:  # day, month and year are stops within one field
                stops.append(found)
        else:
            raise AssertionError("it never ends")
        order = [stop["at"] for stop in stops]
        assert len(order) >= 5
        assert order == sorted(set(order)), "the order of the page is another than that of the keyboard"
        assert stops[-1]["href"].startswith("/language"), "the foot of the page is reached"


def test_a_manager_opens_a_unit_and_changes_the_span(browser, house):
    with watched_page(browser, DESK) as watched:
        page = watched.page
        page.set_default_timeout(60_000)
        page.goto(f"{house.open}/fleet")
        assert worded("To the content")(step(page)), "the first stop leads past the list of pages"
        page.keyboard.press("Enter")
        assert step(page)["at"] > page.evaluate(
            "[...document.querySelectorAll('*')].indexOf(document.querySelector('main'))"
        )
        tab_to(page, worded("Meat chest", "A"))
        page.keyboard.press("Enter")
        page.wait_for_url("**/units/v3-meat")
        tab_to(page, worded("3 days", "A"))
        page.keyboard.press("Enter")
        page.wait_for_url("**/units/v3-meat?span=3d")
        assert page.inner_text(".spans [aria-current]") == "3 days"
        tab_to(page, worded("The same as a table", "SUMMARY"))
        page.keyboard.press("Enter")
        assert page.locator("#chart ~ details tbody tr").first.is_visible()


def test_a_cook_closes_a_hold(browser, house):
    with watched_page(browser, PHONE) as watched:
        page = watched.page
        page.set_default_timeout(60_000)
        page.goto(f"{house.open}/camp/vehicle-3")
        assert worded("To the content")(step(page)), "the first stop leads past the head of the page"
        page.keyboard.press("Enter")
        assert step(page)["at"] > page.evaluate(
            "[...document.querySelectorAll('*')].indexOf(document.querySelector('main'))"
        )
        tab_to(page, worded("Close the hold", "SUMMARY"))
        page.keyboard.press("Enter")
        tab_to(page, named("person"))
        page.keyboard.type("Jonas")
        tab_to(page, named("probe_c"))
        page.keyboard.type("3,4")
        tab_to(page, named("disposition"))
        page.keyboard.type("discarded")
        tab_to(page, named("reason"))
        page.keyboard.type("stood warm since breakfast")
        tab_to(page, worded("Close the hold", "BUTTON"))
        page.keyboard.press("Enter")
        page.wait_for_url("**/camp/vehicle-3?noted=v3-meat#v3-meat")
        assert "Written down: Meat chest" in page.inner_text("body")
    said = house.larder.records.statements("v3-meat")[0]
    assert (said.who, said.body["probe_c"]) == ("Jonas K.", 3.4)


def test_the_workshop_opens_a_unit(browser, house):
    with watched_page(browser, DESK) as watched:
        page = watched.page
        page.set_default_timeout(60_000)
        page.goto(f"{house.open}/workshop")
        found = tab_to(page, worded("Meat chest", "A"))
        page.keyboard.press("Enter")
        page.wait_for_url(f"**{found['href']}")
        assert "Meat chest" in page.inner_text("h1")


def test_colours_are_chosen_with_the_keyboard_and_kept(browser, house):
    with watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.set_default_timeout(60_000)
        page.goto(f"{house.open}/camp")
        tab_to(page, worded("Night", "BUTTON"))
        page.keyboard.press("Enter")
        page.wait_for_load_state()
        assert page.locator("[aria-pressed=true]").inner_text().endswith("Night")
        page.goto(f"{house.open}/fleet")
        assert page.locator("[aria-pressed=true]").inner_text().endswith("Night")
