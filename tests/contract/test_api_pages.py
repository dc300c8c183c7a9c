"""What every page owes its reader, asked over real HTTP and read from the files themselves."""

import gzip
import re
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest

from dashboards import text
from dashboards.language import LANGUAGES
from dashboards.pages.unit import SPANS
from services.domain import Verdict
from services.store.protocol import Batch, WaitingPack
from services.timebase import HOUR_MS, MINUTE_MS, datetime_of
from tests.helpers.larder import NOW_MS, analysis, app_of, card, open_judged_larder
from tests.helpers.web import serving

ROOT = Path(__file__).resolve().parents[2]
PAGES = (
    "/",
    "/fleet",
    "/camp",
    "/camp/vehicle-3",
    "/camp/river-camp",
    "/workshop",
    "/tonight",
    "/tonight?until=05:30",
    "/plan",
    "/units/v3-meat",
    "/units/v3-meat?until=05:30",
    "/units/camp-new",
    "/nope",
)
CAMP_PAGE_BYTES = 5_000


@pytest.fixture(scope="module")
def larder(tmp_path_factory):
    found = open_judged_larder(tmp_path_factory.mktemp("larder"))
    yield found
    found.close()


@pytest.fixture(scope="module")
def client(larder):
    headers = {"accept": "text/html"}
    with serving(app_of(larder)) as base, httpx.Client(base_url=base, timeout=10, headers=headers) as found:
        yield found


@pytest.fixture
def own(tmp_path):
    """A house of its own, for tests that change what is written down."""
    larder = open_judged_larder(tmp_path)
    headers = {"accept": "text/html"}
    with serving(app_of(larder)) as base, httpx.Client(base_url=base, timeout=10, headers=headers) as client:
        yield larder, client
    larder.close()


def test_a_time_asked_for_is_answered_in_plain_html(client):
    night = client.get("/tonight", params={"until": "03:00"}).text
    assert "until 03:00" in night
    assert "to the time asked for, 03:00 tomorrow" in night
    own = client.get("/units/v3-meat", params={"until": "03:00"}).text
    assert "to the time asked for, 03:00 tomorrow: less than 2 %" in own
    assert "Will not last until 03:00" in own
    for wrong in ("3", "25:00", "dawn"):
        assert client.get("/tonight", params={"until": wrong}).status_code == 422
        assert client.get("/units/v3-meat", params={"until": wrong}).status_code == 422
    assert client.get("/tonight", params={"until": ""}).status_code == 200


def seen(html):
    """Return the words of a page as somebody sees them."""
    bare = re.sub(r"<(style|script)\b.*?</\1>|<[^>]+>", " ", html, flags=re.DOTALL)
    return re.sub(r"\s+", " ", bare.replace("&#39;", "'"))


@pytest.mark.parametrize("page", PAGES)
def test_no_page_calls_food_by_the_word_nobody_may_promise(client, page):
    assert not re.search(r"\bsafe", client.get(page).text, re.IGNORECASE)


def test_no_word_of_ours_promises_it_either():
    for file in [*(ROOT / "dashboards").rglob("*.py"), *(ROOT / "dashboards").rglob("*.html")]:
        assert not re.search(r"\bsafe(?!_)", file.read_text(encoding="utf-8"), re.IGNORECASE), file


@pytest.mark.parametrize("page", PAGES)
def test_every_page_shows_the_cautions(client, page):
    words = seen(client.get(page).text)
    for caution in text.CAUTIONS:
        assert caution in words


@pytest.mark.parametrize("page", PAGES)
def test_no_page_names_an_address_outside(client, page):
    html = client.get(page).text
    assert not re.search(r"(?:https?:)?//[a-z0-9]", html)
    assert not re.search(r'\son[a-z]+="|javascript:|style="', html), "the policy would refuse it"


def test_no_template_script_or_style_names_an_address_outside():
    folders = [ROOT / "dashboards" / name for name in ("templates", "static")]
    looked_at = 0
    for folder in folders:
        for file in folder.rglob("*"):
            if not file.is_file() or "vendor" in file.parts:
                continue
            looked_at += 1
            assert not re.search(r"https?://|[\"'(]//[a-z]", file.read_text(encoding="utf-8")), file
    assert looked_at >= 12


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_cooks_page_is_small_and_whole_in_every_language(client, language):
    for page in ("/camp", "/camp/vehicle-3", "/camp/river-camp"):
        asked = {"accept-encoding": "gzip", "accept-language": language}
        with client.stream("GET", page, headers=asked) as answer:
            packed = b"".join(answer.iter_raw())
        assert answer.headers["content-encoding"] == "gzip"
        assert len(packed) <= CAMP_PAGE_BYTES, page
        html = gzip.decompress(packed).decode()
        assert f'<html lang="{language}"' in html
        assert not re.search(r"<link[^>]+stylesheet|<script[^>]+src|<img|@import|url\(", html)


def test_the_cooks_page_of_eight_cabinets_is_still_small(own):
    larder, client = own
    fleet = larder.records.fleet()
    more = [fleet.units[0].model_copy(update={"id": f"v3-{n}0{n}", "name": f"Cabinet {n}"}) for n in range(6)]
    grown = fleet.model_copy(update={"units": (*fleet.units, *more)})
    larder.records.apply_fleet(grown, who="operator", now_ms=NOW_MS)
    for unit in more:
        one = card(standing=Verdict.HOLD, standing_why=f"{unit.name} stood warm").model_copy(
            update={"unit": unit.id, "name": unit.name}
        )
        larder.records.write_card(one, analysis(one))
    with client.stream("GET", "/camp/vehicle-3", headers={"accept-encoding": "gzip"}) as answer:
        packed = b"".join(answer.iter_raw())
    assert gzip.decompress(packed).decode().count("<article") == 8
    assert len(packed) <= CAMP_PAGE_BYTES


def test_only_the_page_with_a_chart_loads_the_charting_library(client):
    assert [page for page in PAGES if "plotly" in client.get(page).text] == [
        "/units/v3-meat",
        "/units/v3-meat?until=05:30",
        "/units/camp-new",
    ]


def test_the_fleet_page_leads_with_who_needs_somebody(larder, client):
    html = client.get("/fleet").text
    order = re.findall(r'id="row-([a-z0-9-]+)"', html)
    assert order[0] == "v3-meat"
    assert order[-1] == "camp-fish"
    words = seen(html)
    assert "4 of 5 need somebody now." in words
    assert "Discard advised" in words
    assert "Hold \N{EN DASH} do not serve" in words
    judged = larder.records.card("v3-meat")
    for hours, said in ((judged.runout.hours_p10, "plan on"), (judged.runout.hours_p50, "likely")):
        moment = datetime_of(judged.as_of + hours * HOUR_MS).astimezone(ZoneInfo("Africa/Lusaka"))
        assert f"{said} {moment:%H:%M}" in words


def test_a_hold_is_closed_with_a_plain_form_and_a_comma(own):
    larder, client = own
    form = {
        "person": "Jonas K.",
        "probe_c": "3,4",
        "disposition": "discarded",
        "reason": "too long warm",
        "back": "/camp/vehicle-3",
    }
    answer = client.post("/units/v3-meat/release", data=form)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/camp/vehicle-3?noted=v3-meat#v3-meat"
    said = larder.records.statements("v3-meat")[0]
    assert (said.who, said.body["probe_c"], said.body["disposition"]) == ("Jonas K.", 3.4, "discarded")
    page = client.get(answer.headers["location"]).text
    assert "Written down: Meat chest" in seen(page)
    assert "<option selected>Jonas K." in page, "nobody chooses the same name twice"
    assert "Jonas K.: closed the hold: discarded: core 3.4 °C. too long warm" in seen(
        client.get("/units/v3-meat").text
    )


def test_what_is_refused_comes_back_as_words(own):
    larder, client = own
    form = {
        "person": "Jonas K.",
        "probe_c": "3.4",
        "disposition": "kept",
        "reason": "looked good",
        "back": "/camp/vehicle-3",
    }
    answer = client.post("/units/v3-meat/release", data=form)
    assert answer.status_code == 409
    assert "Not written down" in answer.text
    assert "may only be discarded" in seen(answer.text)
    for bad in ({"probe_c": "warm"}, {"person": ""}, {"back": "//elsewhere"}, {"reason": ""}):
        assert client.post("/units/v3-meat/release", data={**form, **bad}).status_code == 422
    assert larder.records.statements("v3-meat") == []


def test_a_cabinet_is_said_to_be_empty_with_one_button(own):
    larder, client = own
    form = {"person": "Thandi M.", "state": "empty", "back": "/units/v3-veg"}
    assert client.post("/units/v3-veg/state", data=form).status_code == 303
    assert larder.records.card("v3-veg").state == "empty"
    assert "In use again" in client.get("/units/v3-veg").text
    assert "Not in use" in seen(client.get("/fleet").text)


def test_a_unit_that_knocks_is_shown_to_the_workshop(own):
    larder, client = own
    assert "knock" not in client.get("/workshop").text
    pack = WaitingPack(0, "stranger-9", "topic", b"x", NOW_MS - 5_000, None)
    larder.store.commit(Batch(waiting=[pack]), received_ms=NOW_MS)
    words = seen(client.get("/workshop").text)
    assert "Units that knock" in words
    assert "stranger-9" in words


@pytest.mark.parametrize("span", SPANS)
def test_the_chart_page_has_the_same_readings_as_a_table(client, span):
    html = client.get(f"/units/v3-meat?span={span}").text
    table = html[html.index("The same as a table") : html.index("Say what is so")]
    rows = table.count('<th scope="row">')
    hours = SPANS[span][1] // HOUR_MS + 1  # it is five past: the first and the last hour are shown in part
    assert rows == (-(-hours // -(-hours // 24)) if hours > 12 else 24), "24 rows at most, of whole hours"
    assert table.count('<th scope="row">202') == rows
    assert "the cabinet stood between" in seen(html)


def test_a_span_nobody_offers_is_not_found(client):
    assert client.get("/units/v3-meat?span=9y").status_code == 404


def test_the_figure_asks_for_a_span_that_makes_sense(client):
    for query in ("", "?from=2026-03-04T10:00:00Z", "?from=2026-03-04T10:00:00Z&to=2026-03-04T09:00:00Z"):
        assert client.get(f"/units/v3-meat/figure.json{query}").status_code == 422


def test_a_place_with_a_cabinet_nobody_judged_is_not_called_cold(own):
    larder, client = own
    for unit in ("camp-fish", "camp-milk"):
        cold = card(unit)
        larder.records.write_card(cold, analysis(cold))
    fleet = larder.records.fleet()
    more = fleet.units[-1].model_copy(update={"id": "camp-two", "name": "Second new fridge"})
    grown = fleet.model_copy(update={"units": (*fleet.units, more)})
    larder.records.apply_fleet(grown, who="operator", now_ms=NOW_MS)
    named = re.search(r'href="/camp/river-camp">.*?</a>', client.get("/camp").text, re.DOTALL)
    assert named is not None
    assert "Not known" in named[0]


def test_when_the_monitor_falls_silent_no_page_says_cold_any_more(larder):
    later = NOW_MS + 10 * MINUTE_MS
    headers = {"accept": "text/html"}
    with serving(app_of(larder, lambda: later)) as base, httpx.Client(base_url=base, headers=headers) as late:
        for page in (
            "/fleet",
            "/camp",
            "/camp/vehicle-3",
            "/camp/river-camp",
            "/workshop",
            "/units/camp-fish",
        ):
            words = seen(late.get(page).text)
            assert not re.search(r"\bCold\b(?! now:)", words.split("Time above each limit")[0]), page
            # the list of places tells their worst, the due list only units with something to look at
            assert "Not known" in words or page in {"/camp", "/workshop"}, page
        assert "the monitor is silent" in seen(late.get("/fleet").text)
