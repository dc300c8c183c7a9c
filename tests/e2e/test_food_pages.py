"""The cook's batches in a real browser at the width of a cheap phone, mostly without scripts."""

from datetime import date, timedelta

import httpx
import pytest

from dashboards import text
from services.domain import BatchNew, Verdict
from services.monitor.worker import Monitor
from services.records import batchbook
from services.timebase import MINUTE_MS, datetime_of
from tests.helpers.browser import DESK, PHONE, chromium_path, watched_page
from tests.helpers.food_cards import food_card, timer
from tests.helpers.larder import NOW_MS, app_of, open_judged_larder
from tests.helpers.looks import CONTRAST_JS, LOW_TARGETS_JS
from tests.helpers.shots import SHOTS
from tests.helpers.web import serving

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine"),
]

DISCARD, HOLD = text.WORDS[Verdict.DISCARD_ADVISED], text.WORDS[Verdict.HOLD]
TODAY = datetime_of(NOW_MS).date()


@pytest.fixture
def house(tmp_path):
    larder = open_judged_larder(tmp_path)
    with serving(app_of(larder)) as base:
        yield larder, base
    larder.close()


def put_in(larder, what, food_class="poultry", unit="v3-veg", **fields):
    """Put food in through the records and return its number."""
    new = BatchNew(what=what, food_class=food_class, unit=unit, **fields)
    return larder.records.load_batch(new, who="Jonas K.", now_ms=NOW_MS)


def shown_as(larder, number, **changes):
    """Keep a card of a batch as if it had been judged so."""
    card = food_card(number, **changes).model_copy(
        update={"batch": larder.records.batch_card(number).batch, "as_of": NOW_MS}
    )
    with larder.records._database.writing() as session:
        batchbook.put_card(session, card)


def judge(larder, now_ms=NOW_MS, monitor=None):
    monitor = Monitor(larder.reader, larder.records) if monitor is None else monitor
    for _ in range(200):
        if not monitor.step(now_ms).more:
            break


def stock(larder):
    """Return a vehicle with one batch of every kind of trouble, numbered from 1."""
    put_in(larder, "Chicken pieces")
    put_in(larder, "Mince", "mince", quantity=2.0)
    put_in(larder, "Trout", "fish")
    put_in(larder, "Old chicken")
    put_in(larder, "Yoghurt", "other_chilled", ready_to_eat=True)
    put_in(larder, "Bush stew", "cooked", ready_to_eat=True)
    put_in(larder, "Insulin", "medicine")
    larder.records.say_of_batch(6, "taken_out", who="Jonas K.", now_ms=NOW_MS)
    shown_as(larder, 1, use_first=0.2)
    shown_as(larder, 2, use_first=0.9, cook_to_c=69.0)
    shown_as(larder, 3, standing=Verdict.HOLD, standing_why="133 min above 4.0 °C")
    shown_as(larder, 4, standing=Verdict.DISCARD_ADVISED, standing_why="5 h above 4.0 °C")
    shown_as(larder, 5, dates="past", dates_why="use by Mon 2 Mar")
    shown_as(larder, 6, timers=(timer(),))
    shown_as(larder, 7)


def sign(page, name="Jonas K."):
    for choice in page.locator("select[name=person]").all():
        if choice.is_visible():
            choice.select_option(name)


def opened(page, words):
    found = page.locator("details", has=page.locator("summary", has_text=words))
    found.locator("summary").click()
    sign(page)
    return found


def test_a_cook_adds_a_batch_in_two_taps_without_scripts(browser, house):
    larder, base = house
    with watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.context.add_cookies([{"name": "who", "value": "Jonas%20K.", "url": base}])
        page.goto(f"{base}/camp/vehicle-3")
        page.locator("#v3-veg a", has_text="Put food in").click()
        page.locator("button", has_text="Chicken pieces").click()
        page.wait_for_url("**/batches/1?noted=loaded")
        assert "Written down." in page.inner_text("body")
        assert page.inner_text("h1") == "Chicken pieces"
    [event] = larder.records.batch_events(1)
    assert (event.who, event.kind, event.body["unit"]) == ("Jonas K.", "loaded", "v3-veg")


def test_the_long_form_writes_down_what_somebody_knows(browser, house):
    larder, base = house
    use_by = TODAY + timedelta(days=2)
    with watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.goto(f"{base}/camp/vehicle-3/add/details?unit=v3-veg")
        page.fill("[name=what]", "Trout")
        page.select_option("[name=food_class]", "fish")
        page.select_option("[name=ago_min]", "60")
        page.fill("[name=core_c]", "3,5")
        page.fill("[name=use_by]", use_by.isoformat())
        page.check("[name=vacuum_packed]")
        sign(page)
        page.locator("button", has_text="Put in").click()
        page.wait_for_url("**/batches/1?noted=loaded")
    batch = larder.records.batch_card(1).batch
    assert (batch.what, batch.core_c, batch.use_by, batch.vacuum_packed) == ("Trout", 3.5, use_by, True)
    assert batch.loaded_at == NOW_MS - 3_600_000


def test_the_camp_page_says_what_may_be_used_and_what_not(browser, house):
    larder, base = house
    stock(larder)
    with watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.goto(f"{base}/camp/vehicle-3")
        use = page.inner_text("section.ok")
        assert use.index("Mince: cook to 69 °C in the core") < use.index("Chicken pieces: cook to 74 °C")
        for never in ("Trout", "Old chicken", "Yoghurt", "Insulin", "Bush stew"):
            assert never not in use, never
        leave = page.inner_text("section.not")
        assert leave.index("Old chicken") < leave.index("Trout") < leave.index("Yoghurt")
        assert "Past its last day: use by Mon 2 Mar." in leave
        assert "Standing out. By 18:05: use it or chill it again." in page.inner_text("section.run")
        assert len(watched.requests) == 1
        page.screenshot(path=SHOTS / "camp-food-360.png", full_page=True)


PATHS = {
    "camp-food": "/camp/vehicle-3",
    "camp-add": "/camp/vehicle-3/add?unit=v3-veg",
    "camp-details": "/camp/vehicle-3/add/details",
    "camp-all-food": "/camp/vehicle-3/food",
    "batch-ok": "/batches/2",
    "batch-hold": "/batches/3",
    "batch-discard": "/batches/4",
    "batch-past": "/batches/5",
    "batch-out": "/batches/6",
    "batch-medicine": "/batches/7",
}


@pytest.fixture(scope="module")
def stocked(tmp_path_factory):
    larder = open_judged_larder(tmp_path_factory.mktemp("stocked"))
    stock(larder)
    with serving(app_of(larder)) as base:
        yield base
    larder.close()


@pytest.mark.parametrize("dark", [False, True], ids=["day", "night"])
@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
@pytest.mark.parametrize("name", PATHS)
def test_every_food_page_is_readable_and_has_big_targets(browser, stocked, name, size, dark):
    with watched_page(browser, size, dark=dark) as watched:
        page = watched.page
        page.goto(stocked + PATHS[name])
        for summary in page.locator("summary").all():
            summary.click()
        assert page.evaluate(CONTRAST_JS) == []
        assert page.evaluate(LOW_TARGETS_JS) == []
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "it scrolls sideways"
        assert "When in doubt, discard" in page.inner_text("footer")
        if not dark:
            page.screenshot(path=SHOTS / f"{name}-{size[0]}.png", full_page=True)


@pytest.mark.parametrize("name", PATHS)
def test_every_food_page_is_one_small_answer_that_promises_nothing(stocked, name):
    answer = httpx.get(
        stocked + PATHS[name], headers={"accept": "text/html", "accept-encoding": "gzip"}, timeout=120
    )
    assert answer.status_code == 200
    assert int(answer.headers["content-length"]) <= 5_000
    assert "safe" not in answer.text.lower()


def test_a_full_camp_still_fits(house):
    larder, base = house
    fleet = larder.records.fleet()
    more = [fleet.units[0].model_copy(update={"id": f"v3-{n}0{n}", "name": f"Cabinet {n}"}) for n in range(6)]
    grown = fleet.model_copy(update={"units": (*fleet.units, *more)})
    larder.records.apply_fleet(grown, who="operator", now_ms=NOW_MS)
    for unit in more:
        kept = larder.records.card("v3-meat").model_copy(update={"unit": unit.id, "name": unit.name})
        larder.records.write_card(kept, larder.records.analysis("v3-meat"))
    whys = (
        "aged like {n}.3 days at 4.4 °C; USDA cold storage chart: poultry 1-2 days; {n} days to its date",
        "Food modelled from cabinet air above 4 °C for {n}33 min, at worst {n}55 min (za-r638-2018)",
    )
    for n in range(1, 25):
        number = put_in(larder, f"Chicken for table {n}")
        verdict = Verdict.HOLD if n % 2 else Verdict.OK
        shown_as(
            larder,
            number,
            standing=verdict,
            standing_why=whys[1].format(n=n),
            use_first_why=whys[0].format(n=n),
        )
    answer = httpx.get(
        f"{base}/camp/vehicle-3", headers={"accept": "text/html", "accept-encoding": "gzip"}, timeout=120
    )
    assert answer.text.count("<article") == 8
    assert answer.text.count("/batches/") == 12
    assert "12 more" in answer.text
    assert int(answer.headers["content-length"]) <= 5_000


def test_a_held_batch_is_closed_by_a_named_person_with_a_probe(browser, house):
    larder, base = house
    put_in(larder, "Trout", "fish")
    shown_as(larder, 1, standing=Verdict.HOLD)
    with watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.goto(f"{base}/batches/1")
        form = opened(page, "Close the hold")
        form.locator("[name=probe_c]").fill("3,4")
        form.locator("[name=disposition]").select_option("kept")
        form.locator("[name=reason]").fill("cold again within the hour")
        form.locator("button").click()
        page.wait_for_url("**/batches/1?noted=hold_closed")
        said = "Jonas K. (not verified): closed the hold, kept, probe 3.4 °C. cold again"
        assert said in page.inner_text("body")
    closed = larder.records.batch_events(1)[-1]
    assert (closed.who, closed.kind, closed.body["probe_c"]) == ("Jonas K.", "hold_closed", 3.4)


def test_what_is_to_be_discarded_is_offered_no_fire(browser, house):
    larder, base = house
    put_in(larder, "Old chicken")
    shown_as(larder, 1, standing=Verdict.DISCARD_ADVISED, computed=Verdict.DISCARD_ADVISED)
    with watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.goto(f"{base}/batches/1")
        assert "Cooking does not mend it" in page.inner_text("article ol")
        assert "cook to" not in page.inner_text("article").lower()
        form = opened(page, "Close the hold")
        assert form.locator("[name=disposition] option").all_inner_texts() == ["choose", "discarded"]
        taken = opened(page, "Taken out, used, opened")
        offered = taken.locator("button").all_inner_texts()
        assert not {words.split(",")[0] for words in offered} & {"Cooked", "Served"}
        taken.locator("button", has_text="Discarded").click()
        page.wait_for_url("**/batches/1?noted=discarded")
        assert "discarded since" in page.inner_text("dl")
        assert page.locator("button", has_text="Write down").count() == 0, "what is gone is not probed"


def test_a_batch_goes_out_and_comes_back_and_its_clock_is_told(browser, tmp_path):
    larder = open_judged_larder(tmp_path)
    clock = [NOW_MS]
    put_in(larder, "Bush stew", "cooked", ready_to_eat=True)
    judge(larder, clock[0])
    with serving(app_of(larder, lambda: clock[0])) as base, watched_page(browser, PHONE, scripts=False) as w:
        page = w.page
        clock[0] += MINUTE_MS
        page.goto(f"{base}/batches/1")
        opened(page, "Taken out, used, opened").locator("button", has_text="Taken out").click()
        page.wait_for_url("**/batches/1?noted=taken_out")
        judge(larder, clock[0])
        page.goto(f"{base}/batches/1")
        assert "taken out of Salad drawer" in page.inner_text("dl")
        assert "Standing out. By 19:" in page.inner_text("article"), "two hours, less what went before"
        page.goto(f"{base}/camp/vehicle-3")
        assert "Bush stew" in page.inner_text("section.run")
        assert "Bush stew" not in page.inner_text("section.ok")
        clock[0] += 130 * MINUTE_MS
        judge(larder, clock[0])
        page.goto(f"{base}/camp/vehicle-3")
        assert f"Bush stew\n{HOLD}" in page.inner_text("section.not")
        page.goto(f"{base}/batches/1")
        assert "It may not go back into the cold." in page.inner_text("article ol")
        clock[0] += 120 * MINUTE_MS
        judge(larder, clock[0])
        page.goto(f"{base}/batches/1")
        assert page.inner_text("article .w b") == DISCARD
    assert [event.kind for event in larder.records.batch_events(1)] == ["loaded", "taken_out"]
    larder.close()


def test_a_batch_is_put_back_where_it_was(browser, house):
    larder, base = house
    put_in(larder, "Bush stew", "cooked", ready_to_eat=True)
    larder.records.say_of_batch(1, "taken_out", who="Jonas K.", now_ms=NOW_MS)
    with watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.goto(f"{base}/batches/1")
        back = opened(page, "Put it back, cold")
        back.locator("[name=unit]").select_option("v3-veg")
        back.locator("button").click()
        page.wait_for_url("**/batches/1?noted=put_back")
        assert "in Salad drawer since" in page.inner_text("dl")


def test_the_real_monitor_judges_what_a_cook_put_in(browser, house):
    larder, base = house
    with watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.context.add_cookies([{"name": "who", "value": "Jonas%20K.", "url": base}])
        page.goto(f"{base}/camp/vehicle-3/add?unit=v3-veg")
        page.locator("button", has_text="Mince or sausages").click()
        page.wait_for_url("**/batches/1?noted=loaded")
        assert page.inner_text("article .w b") == "Not known", "nobody has judged it yet"
        judge(larder)
        page.goto(f"{base}/batches/1")
        assert page.inner_text("article .w b") in {"In order", "Watch"}
        assert "Cook to 69 °C in the core" in page.inner_text("article ol")
        page.goto(f"{base}/camp/vehicle-3")
        assert "Mince or sausages: cook to 69 °C in the core" in page.inner_text("section.ok")
        assert "Food Code" in page.inner_text("section.ok"), "the source stands beside the number"


def test_a_wrong_reading_is_corrected_and_stays_to_be_read(browser, house):
    larder, base = house
    put_in(larder, "Trout", "fish")
    larder.records.say_of_batch(1, "probed", who="Jonas K.", body={"probe_c": 34.0}, now_ms=NOW_MS)
    wrong = larder.records.batch_events(1)[-1].id
    with watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.goto(f"{base}/batches/1")
        form = opened(page, "Details and corrections").locator("form").nth(1)
        form.locator("[name=event]").select_option(str(wrong))
        form.locator("[name=probe_c]").fill("3.4")
        form.locator("button").click()
        page.wait_for_url("**/batches/1?noted=corrected")
        said = page.inner_text("main > section")
        assert "probe 34.0 °C" in said
        assert f"corrected, line {wrong}, probe 3.4 °C" in said


def test_what_the_rules_forbid_comes_back_in_words(house):
    larder, base = house
    put_in(larder, "Yoghurt", "other_chilled", ready_to_eat=True, use_by=date(2026, 3, 1))
    form = {"kind": "served", "person": "Jonas K."}
    answer = httpx.post(f"{base}/batches/1/say", data=form, headers={"accept": "text/html"}, timeout=120)
    assert answer.status_code == 409
    assert "past its date" in answer.text
    for bad in ({"kind": "eaten"}, {"probe_c": "hot"}, {"ago_min": "9999"}, {"kind": "loaded"}):
        answer = httpx.post(
            f"{base}/batches/1/say", data={**form, **bad}, headers={"accept": "text/html"}, timeout=120
        )
        assert answer.status_code == 422, bad
    assert httpx.get(f"{base}/batches/99", headers={"accept": "text/html"}, timeout=120).status_code == 404
    assert [event.kind for event in larder.records.batch_events(1)] == ["loaded"]


def test_an_ice_point_check_is_written_down_on_the_cabinets_page(browser, house):
    larder, base = house
    with watched_page(browser, DESK) as watched:
        page = watched.page
        page.goto(f"{base}/units/v3-veg")
        form = opened(page, "Check in melting ice")
        form.locator("[name=probe_c]").fill("\N{MINUS SIGN}1,2")
        form.locator("button").click()
        page.wait_for_url("**/units/v3-veg?noted=v3-veg#v3-veg")
    [check] = larder.records.sensor_checks("v3-veg")
    assert (check.reading_c, check.channel, check.who) == (-1.2, "cabinet", "Jonas K.")


def test_the_cabinets_page_and_the_fleet_tell_of_the_food_in_it(browser, stocked):
    with watched_page(browser, DESK) as watched:
        page = watched.page
        page.goto(f"{stocked}/units/v3-veg")
        table = page.inner_text("section:has(h2:text('Food in it'))")
        for words in ("Chicken pieces", "Trout", HOLD, DISCARD, "Inspector's log"):
            assert words in table
        assert page.evaluate(CONTRAST_JS) == []
        page.screenshot(path=SHOTS / "unit-food-1366.png", full_page=True)


def test_an_old_page_of_a_batch_stops_claiming_anything(browser, house):
    larder, base = house
    put_in(larder, "Chicken pieces")
    shown_as(larder, 1)
    with watched_page(browser, PHONE) as watched:
        page = watched.page
        page.clock.install()
        page.goto(f"{base}/camp/vehicle-3")
        assert page.locator("section.ok ol").is_visible()
        page.locator("summary").first.click()
        page.clock.run_for(16 * 60_000)
        assert not page.locator("section.ok ol").is_visible()
        page.goto(f"{base}/batches/1")
        assert page.inner_text("article .w b") == "In order"
        page.locator("summary").first.click()
        page.clock.run_for(16 * 60_000)
        assert page.inner_text("article .w b") == "Not known"


def test_a_probe_on_the_surface_is_held_against_the_law_and_the_verdict_s_history_is_told(browser, house):
    larder, base = house
    put_in(larder, "Rump", "red_meat", core_c=3.0)
    monitor = Monitor(larder.reader, larder.records)
    judge(larder, monitor=monitor)
    with watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.goto(f"{base}/batches/1")
        form = opened(page, "Probe reading")
        form.locator("[name=probe_c]").fill("5,0")
        form.locator("[name=surface_c]").fill("7,1")
        form.locator("button").click()
        page.wait_for_url("**/batches/1?noted=probed")
        judge(larder, NOW_MS + MINUTE_MS, monitor)
        page.reload()
        seen = page.inner_text("article")
        assert "core 5.0 °C, surface 7.1 °C: South Africa R638 not kept at that moment" in seen
        assert "Surface 7.1 °C, above 7 °C." in seen
        assert "8(4)(a)(ii)" in seen
        assert "How the verdict changed" in page.inner_text("main")
        page.screenshot(path=SHOTS / "batch-probe-360.png", full_page=True)
    assert larder.records.batch_card(1).spot[0].compliant == "no"
    assert larder.records.batch_verdicts(1)


def by_food_code(larder):
    """Let the salad drawer be held to the Food Code, which knows time in place of cold."""
    fleet = larder.records.fleet()
    units = tuple(
        u.model_copy(update={"food": u.food.model_copy(update={"rules": ("fda-food-code-2022",)})})
        if u.id == "v3-veg"
        else u
        for u in fleet.units
    )
    larder.records.apply_fleet(fleet.model_copy(update={"units": units}), who="operator", now_ms=NOW_MS - 1)


def test_time_in_place_of_cold_is_offered_where_the_rules_know_it_and_never_leads_back(browser, house):
    larder, base = house
    put_in(larder, "Bush stew", "cooked")
    shown_as(larder, 1)
    with watched_page(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.goto(f"{base}/batches/1")
        assert "Time in place of cold" not in page.inner_text("body")
        by_food_code(larder)
        page.reload()
        form = opened(page, "Time in place of cold")
        form.locator("[name=time_control]").select_option("4h")
        form.locator("[name=probe_c]").fill("4")
        form.locator("[name=written_procedure]").check()
        form.locator("[name=marked]").check()
        page.screenshot(path=SHOTS / "batch-by-time-form-360.png", full_page=True)
        form.locator("button").click()
        page.wait_for_url("**/batches/1?noted=taken_out")
        judge(larder, NOW_MS)
        page.goto(f"{base}/batches/1")
        assert "Held by time alone. By 21:05: serve before then, discard what is left." in page.inner_text(
            "article"
        )
        assert "Put it back, cold" not in page.inner_text("main")
        assert "It never goes back into the cold." in page.inner_text("article ol")
        assert "Not to be cooked or served" not in page.inner_text("article")
        page.screenshot(path=SHOTS / "batch-by-time-360.png", full_page=True)
        page.goto(f"{base}/camp/vehicle-3")
        assert "Held by time alone" in page.inner_text("section.run")
        page.screenshot(path=SHOTS / "camp-by-time-360.png", full_page=True)


def test_a_verdict_that_rises_shows_by_itself_and_beside_an_open_form_too(browser, house):
    larder, base = house
    put_in(larder, "Trout", "fish")
    shown_as(larder, 1)
    with watched_page(browser, PHONE) as watched:
        page = watched.page
        page.clock.install()
        page.goto(f"{base}/camp/vehicle-3")
        assert "Trout" in page.inner_text("section.ok")
        page.clock.run_for(1_000)  # an idle moment of the browser's clock: looking again is fetched then
        page.locator("html[data-looks]").wait_for(state="attached")
        page.locator("summary", has_text="Buffet").click()
        shown_as(larder, 1, standing=Verdict.HOLD, standing_why="133 min above 4.0 °C")
        page.clock.fast_forward(61_000)
        page.locator("#worse").wait_for(state="visible")
        assert "Trout" in page.inner_text("section.ok")
        page.locator("summary", has_text="Buffet").click()
        page.clock.fast_forward(61_000)
        page.locator("section.not", has_text="Trout").wait_for()
