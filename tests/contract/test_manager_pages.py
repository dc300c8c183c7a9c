"""The manager's own pages, asked over real HTTP of a house judged by the real monitor."""

import csv
import io
import json
import re

import httpx
import pytest

from deploy.maproom import MapRoom
from services.domain import BatchNew, Verdict
from services.telemetry import Sample
from services.timebase import HOUR_MS, MINUTE_MS
from tests.helpers.larder import NOW_MS, analysis, app_of, card, open_judged_larder
from tests.helpers.web import serving

PAGES = (
    "/departure",
    "/supplies",
    "/history",
    "/history?unit=v3-meat",
    "/map",
    "/compare",
    "/compare?units=v3-meat,camp-fish&span=3d&channel=battery_v",
)


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    larder = open_judged_larder(tmp_path_factory.mktemp("house"))
    with serving(app_of(larder)) as base, open_client(base) as client:
        yield larder, client
    larder.close()


@pytest.fixture
def own(tmp_path):
    """A house of its own, for tests that change what is written down; its map knows positions."""
    larder = open_judged_larder(tmp_path)
    app = app_of(larder)
    app.state.map_room = MapRoom(tmp_path / "map.geojson", larder.reader, positions=True)
    with serving(app) as base, open_client(base) as client:
        yield larder, client, tmp_path
    larder.close()


def open_client(base):
    return httpx.Client(base_url=base, timeout=20, headers={"accept": "text/html"})


def seen(html):
    """Return the words of a page as somebody sees them."""
    bare = re.sub(r"<(style|script)\b.*?</\1>|<[^>]+>", " ", html, flags=re.DOTALL)
    return re.sub(r"\s+", " ", bare.replace("&#39;", "'"))


def throw_away(larder, unit):
    larder.records.release_hold(
        unit, who="Thandi M.", probe_c=11.0, disposition="discarded", reason="stood warm", now_ms=NOW_MS
    )


def rows_of(answer):
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    return list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))


@pytest.mark.parametrize("page", PAGES)
def test_no_page_promises_anything_or_asks_for_anything_outside(house, page):
    _, client = house
    answer = client.get(page)
    assert answer.status_code == 200
    assert not re.search(r"\bsafe", answer.text, re.IGNORECASE)
    assert not re.search(r"(?:https?:)?//[a-z0-9]", answer.text)
    assert not re.search(r'\son[a-z]+="|javascript:|style="', answer.text), "the policy would refuse it"
    assert "When in doubt, discard." in seen(answer.text)


def test_a_vehicle_with_food_on_hold_does_not_leave(house):
    _, client = house
    words = seen(client.get("/departure", params={"until": "18:00"}).text)
    assert "0 of 1 may leave, 1 not yet." in words
    assert "Vehicle 3: Not yet" in words
    assert "Meat chest: Discard advised." in words
    assert "nobody has said anything of it in the last day" in words


def test_a_cold_and_charged_vehicle_may_leave_and_says_who_said_what(own):
    larder, client, _ = own
    long = card("v3-veg").runout.model_copy(
        update={"hours_p10": 60.0, "hours_p50": 80.0, "lasts_hours": tuple(50.0 + 3.0 * k for k in range(21))}
    )
    for unit in ("v3-meat", "v3-veg"):
        well = card(unit, runout=long)
        larder.records.write_card(well, analysis(well))
    larder.records.say_note("v3-meat", who="Jonas K.", note="loaded and locked", now_ms=NOW_MS - MINUTE_MS)
    words = seen(client.get("/departure").text)
    assert "1 of 1 may leave." in words
    assert "Vehicle 3: May leave asked to last until 18:00" in words
    assert "17:04 Meat chest, Jonas K.: note. loaded and locked" in words
    assert "31 % to 45 %" in words, "how full its bank is"
    assert client.get("/departure", params={"until": "dawn"}).status_code == 422


def test_food_thrown_away_is_on_the_shopping_list_of_its_place(own):
    larder, client, _ = own
    new = BatchNew(what="=Steaks", food_class="red_meat", unit="v3-veg", quantity=4.5)
    batch = larder.records.load_batch(new, who="Jonas K.", now_ms=NOW_MS - HOUR_MS)
    assert "thrown away since" in seen(client.get("/supplies").text)
    larder.records.say_of_batch(batch, "discarded", who="Jonas K.", now_ms=NOW_MS - MINUTE_MS)
    larder.records.release_hold(
        "camp-milk",
        who="Thandi M.",
        probe_c=11.0,
        disposition="discarded",
        reason="stood warm",
        now_ms=NOW_MS,
    )
    words = seen(client.get("/supplies", params={"from": "2026-03-01"}).text)
    assert "2 thrown away since 2026-03-01" in words
    assert "red meat in the piece: 4.5 kg" in words
    assert "not known: 1 time without an amount written down, ask there" in words
    found = {row["unit"]: row for row in rows_of(client.get("/supplies.csv", params={"from": "2026-03-01"}))}
    assert (found["v3-veg"]["quantity"], found["v3-veg"]["measure"]) == ("4.5", "kg")
    assert found["v3-veg"]["what"] == "'=Steaks", "no spreadsheet takes it for a formula"
    assert found["camp-milk"]["state"] == "discarded"
    assert found["v3-meat"]["state"] == "on hold: may have to be replaced"
    assert client.get("/supplies", params={"from": "2020-01-01"}).status_code == 422


def test_a_cabinet_thrown_away_with_its_batches_counts_each_batch_once(own):
    larder, client, _ = own
    for what in ("Mince", "Chops"):
        new = BatchNew(what=what, food_class="mince", unit="camp-milk", quantity=1.0)
        larder.records.load_batch(new, who="Jonas K.", now_ms=NOW_MS - HOUR_MS)
    larder.records.release_hold(
        "camp-milk",
        who="Thandi M.",
        probe_c=11.0,
        disposition="discarded",
        reason="stood warm",
        now_ms=NOW_MS,
    )
    gone = [row for row in rows_of(client.get("/supplies.csv")) if row["state"] == "discarded"]
    assert sorted(row["what"] for row in gone) == ["Chops", "Mince"]


def test_history_tells_verdicts_and_words_with_both_times(own):
    larder, client, _ = own
    larder.records.say_note("v3-veg", who="Jonas K.", note="gasket worn", now_ms=NOW_MS - MINUTE_MS)
    words = seen(client.get("/history").text)
    assert (
        "2026-03-04 17:04 2026-03-04 15:04 Salad drawer Vehicle 3 Jonas K. Note. gasket worn"
        in words.replace("note.", "Note.")
    )
    assert "readings that came late" in words
    assert "First verdict: Discard advised." in words
    only = rows_of(client.get("/history.csv", params={"unit": "v3-veg", "kind": "said"}))
    assert [(row["written_utc"], row["who"], row["place"]) for row in only] == [
        ("2026-03-04T15:04:00Z", "Jonas K.", "Vehicle 3")
    ]
    assert "gasket" not in client.get("/history", params={"site": "river-camp"}).text
    empty = client.get("/history", params={"from": "2025-01-01", "to": "2025-01-02"})
    assert "Nothing was written down in these days." in seen(empty.text)
    assert client.get("/history", params={"unit": "no-such"}).status_code == 404
    assert client.get("/history", params={"site": "no-such"}).status_code == 404
    assert client.get("/history", params={"from": "2026-03-04", "to": "2026-03-01"}).status_code == 422


def test_every_line_of_a_long_history_is_reached_once(own):
    larder, client, _ = own
    for number in range(450):
        larder.records.say_note(
            "v3-veg", who="Jonas K.", note=f"entry {number:03d} ", now_ms=NOW_MS - MINUTE_MS
        )
    at, told = "/history?unit=v3-veg&kind=said", []
    for _ in range(4):
        html = client.get(at).text
        told += re.findall(r"entry \d{3}", html)
        link = re.search(r'href="(/history\?[^"]+)">Older lines', html)
        if link is None:
            break
        at = link[1].replace("&amp;", "&")
    assert told == [f"entry {number:03d}" for number in reversed(range(450))]


def test_the_map_draws_the_own_lines_and_the_vehicle_only_roughly(own):
    larder, client, folder = own
    track = {
        "type": "Feature",
        "properties": {"name": "Ridge <track>", "kind": "track"},
        "geometry": {"type": "LineString", "coordinates": [[25.0, -17.0], [25.4, -17.4]]},
    }
    (folder / "map.geojson").write_text(
        json.dumps({"type": "FeatureCollection", "features": [track]}), encoding="utf-8"
    )
    sample = Sample(
        unit="v3-meat",
        bid=1,
        sq=9_000,
        t_ms=NOW_MS - MINUTE_MS,
        tq=2,
        values={"cabinet": 3.0, "lat": -17.2114, "lon": 25.2331},
    )
    larder.store.append([sample], received_ms=NOW_MS)
    html = client.get("/map").text
    assert "<title>Ridge &lt;track&gt;</title>" in html
    words = seen(html)
    assert "about 17.20° S 25.25° E, 60 s ago" in words
    for exact in ("17.21", "25.23", "17.2114"):
        assert exact not in html
    for page in ("/fleet", "/camp/vehicle-3", "/workshop", "/units/v3-meat", "/api/v1/units", "/history.csv"):
        assert "17.2" not in client.get(page).text.replace("17:2", ""), page


def test_a_map_file_that_cannot_be_taken_is_told_with_its_place(own):
    _, client, folder = own
    point = {"type": "Feature", "properties": {}, "geometry": {"type": "Point", "coordinates": [25, 200]}}
    (folder / "map.geojson").write_text(json.dumps(point), encoding="utf-8")
    words = seen(client.get("/map").text)
    assert "The own map was not taken." in words
    assert "geometry.coordinates: latitude 200 lies beyond 90" in words


def test_without_the_setting_no_vehicle_is_drawn(house):
    _, client = house
    html = client.get("/map").text
    assert "positions are not switched on here" in seen(html)
    assert '<svg class="map"' not in html


def test_cabinets_are_compared_on_one_axis_with_their_gaps(house):
    _, client = house
    html = client.get("/compare", params={"units": "v3-meat,camp-milk", "span": "24h"}).text
    words = seen(html)
    assert "All on one axis, 0 °C to 15 °C" in words
    assert html.count('<svg class="bands"') == 2
    assert html.count("<polygon") == 2
    assert 'fill="url(#none-camp-milk)"' in html
    assert 'fill="url(#none-v3-meat)"' not in html
    assert re.search(r"Milk fridge 2\.\d °C 2\.\d °C 3\.\d °C 3\d % 20 h 00 min", words)
    same = client.get("/compare", params={"unit": ["v3-meat", "camp-milk"], "span": "24h"}).text
    assert same.count('<svg class="bands"') == 2, "the form sends one field for each cabinet"
    for query in ({"units": "no-such"}, {"span": "9y"}, {"channel": "lat_deg"}):
        assert client.get("/compare", params=query).status_code == 404
    many = ",".join(f"unit-{n}" for n in range(9))
    assert client.get("/compare", params={"units": many}).status_code == 422


def test_a_verdict_that_falls_silent_is_not_drawn_as_cold(tmp_path):
    larder = open_judged_larder(tmp_path)
    with serving(app_of(larder, lambda: NOW_MS + 10 * MINUTE_MS)) as base, open_client(base) as late:
        for page in ("/departure", "/map", "/compare"):
            words = seen(late.get(page).text)
            assert not re.search(r"\bCold\b", words), page
            assert "Not known" in words or page == "/departure", page
    larder.close()


def test_a_hold_is_followed_from_the_fleet_page_to_its_evidence(house):
    _, client = house
    html = client.get("/fleet").text
    link = re.search(r'id="row-v3-meat".*?href="([^"]+)"', html, re.DOTALL)
    assert client.get(link[1]).status_code == 200
    assert Verdict.DISCARD_ADVISED.value in html


def test_a_cabinet_is_shown_over_days_that_are_asked_for(house):
    _, client = house
    html = client.get("/units/v3-meat", params={"from": "2026-03-03", "to": "2026-03-03"}).text
    assert 'data-from="1772488800000" data-to="1772575200000"' in html, "midnight to midnight at its place"
    assert "In these 24 h" in seen(html)
    for query in ({"from": "2026-03-04", "to": "2026-03-01"}, {"from": "2020-01-01"}, {"from": "today"}):
        assert client.get("/units/v3-meat", params=query).status_code == 422
