"""The administrator's pages of the fleet: what they change, what they refuse, and who does not get in."""

import csv
import io
import re

import pypdf
import pytest

from services.api.access import TABLE
from services.api.credentialport import ISSUED, REVOKED
from services.domain.fleetcsv import MOST_BYTES
from tests.helpers.guarded import CREW, Guarded
from tests.helpers.larder import NOW_MS, analysis, app_of, card, open_larder
from tests.helpers.web import browsing

HEAD = "record,id,name,kind,site\n"
GOOD = f"{HEAD}site,lodge-1,Lodge,lodge,\nunit,v9-new,New chest,fridge,lodge-1\nunit,v3-veg,Salads,,\n"


@pytest.fixture
def anyio_backend():
    return "asyncio"


@pytest.fixture
def larder(tmp_path):
    opened = open_larder(tmp_path)
    yield opened
    opened.close()


@pytest.fixture
def guarded(larder):
    return Guarded(larder)


async def row_of(browser, path):
    return re.search(r'name="row" value="(\d+)"', (await browser.get(path)).text)[1]


async def hand_in(browser, text):
    data = text.encode() if isinstance(text, str) else text
    return await browser.post("/admin/rows", files={"file": ("fleet.csv", data, "text/csv")})


def token_of(answer):
    return re.search(r'action="/admin/rows/([^"]+)"', answer.text)[1]


def units(larder):
    return {unit.id: unit for unit in larder.records.fleet().units}


def changes(larder):
    return larder.records.descriptions_between(NOW_MS, NOW_MS + 1, units=None, limit=50)


def test_only_an_administrator_of_every_place_who_logged_in_gets_there():
    lines = [entry for entry in TABLE if entry.path.startswith("/admin")]
    assert len(lines) >= 17
    assert {(entry.roles, entry.everywhere, entry.people_only, entry.public) for entry in lines} == {
        (frozenset({"administrator"}), True, True, False)
    }


@pytest.mark.anyio
@pytest.mark.parametrize("role", ["manager", "cook", "workshop", "inspector"])
async def test_nobody_else_changes_anything(larder, guarded, role):
    async with guarded.come_in(role) as browser:
        for path in (
            "/admin",
            "/admin/change/unit/v3-veg",
            "/admin/credentials/v3-veg",
            "/admin/rows/fleet.csv",
        ):
            assert (await browser.get(path)).status_code == 403
        moved = await browser.post(
            "/admin/change/unit/v3-veg", data={"site": "river-camp", "why": "w", "row": "1"}
        )
        added = await browser.post(
            "/admin/new/site", data={"id": "lodge-1", "name": "L", "kind": "lodge", "why": "w"}
        )
        gone = await browser.post("/admin/retire/unit/camp-new", data={"why": "w", "row": "1"})
        given = await browser.post("/admin/credentials/v3-veg/give", data={"why": "w"})
        rows = await hand_in(browser, GOOD)
    assert {each.status_code for each in (moved, added, gone, given, rows)} == {403}
    assert changes(larder) == []


@pytest.mark.anyio
async def test_things_are_added_moved_described_and_taken_off_with_who_and_why(larder, guarded):
    name = CREW["administrator"][0]
    async with guarded.come_in("administrator") as browser:
        site = {
            "id": "lodge-1",
            "name": "Hill lodge",
            "kind": "lodge",
            "timezone": "Africa/Lusaka",
            "why": "opened",
        }
        assert (await browser.post("/admin/new/site", data=site)).headers[
            "location"
        ] == "/admin/change/site/lodge-1"
        path = "/admin/change/unit/v3-veg"
        moved = {
            "row": await row_of(browser, path),
            "site": "lodge-1",
            "supply.bank": "",
            "why": "sent up the hill",
        }
        assert (await browser.post(path, data=moved)).status_code == 303
        described = {
            "row": await row_of(browser, path), "name": "Salads", "kind": "fridge", "set_point_c": "1,5",
            "food.classes": ["", "fish", "milk"], "sensor.position": "wall", "sensor.error_k": "0.3",
            "why": "re-labelled",
        }  # fmt: skip
        assert (await browser.post(path, data=described)).status_code == 303
        gone = "/admin/change/unit/camp-new"
        retired = {"row": await row_of(browser, gone), "why": "never came"}
        assert (await browser.post("/admin/retire/unit/camp-new", data=retired)).headers[
            "location"
        ] == "/admin"
        history = (await browser.get("/history?kind=moved")).text
        assert (await browser.get(gone)).status_code == 404
    found = units(larder)["v3-veg"]
    assert (found.site, found.supply.bank, found.set_point_c, found.name) == ("lodge-1", None, 1.5, "Salads")
    assert (found.food.classes, found.sensor.position, found.sensor.error_k) == (
        ("fish", "milk"),
        "wall",
        0.3,
    )
    assert [(line.key, line.why, line.who, line.signed) for line in reversed(changes(larder))] == [
        ("lodge-1", "opened", name, "account"),
        ("v3-veg", "sent up the hill", name, "account"),
        ("v3-veg", "re-labelled", name, "account"),
        ("camp-new", "never came", name, "account"),
    ]
    for words in (
        "Moved from Vehicle 3 to Hill lodge.",
        "Why: sent up the hill.",
        "lodge-1: Put on the list.",
    ):
        assert words in history


@pytest.mark.anyio
async def test_what_is_wrong_stands_beside_its_field_and_nothing_is_changed(larder, guarded):
    async with guarded.come_in("administrator") as browser:
        wrong = {
            "id": "Big One",
            "name": "n",
            "kind": "",
            "set_point_c": "3",
            "supply.bank": "no-such",
            "why": "w",
        }
        answer = await browser.post("/admin/new/unit", data=wrong)
        assert answer.status_code == 422
        assert re.findall(r"To mend: ([^<]*)", answer.text) == [
            "must be 3 to 32 signs, of a-z, 0-9 and -",
            "is required",
            "there is no bank &#39;no-such&#39;",
        ]
        assert 'value="Big One"' in answer.text
        again = await browser.post("/admin/new/bank", data={"id": "v3-aux", "why": "w"})
        assert "v3-aux is on the list already" in again.text
        stands = await browser.post(
            "/admin/retire/site/river-camp",
            data={"row": await row_of(browser, "/admin/change/site/river-camp"), "why": "w"},
        )
        assert stands.status_code == 422
        assert "there is no site" in stands.text
        food = {"row": await row_of(browser, "/admin/change/unit/v3-meat"), "why": "w"}
        held = await browser.post("/admin/retire/unit/v3-meat", data=food)
        assert (held.status_code, "decide on its food first" in held.text) == (409, True)
        warm = await browser.post("/admin/change/unit/v3-meat", data={**food, "set_point_c": "9"})
        assert (warm.status_code, "above the limit" in warm.text) == (409, True)
        future = await browser.post(
            "/admin/change/unit/v3-meat", data={**food, "name": "x", "from": "2030-01-01T00:00"}
        )
        assert (future.status_code, "within the last seven days" in future.text) == (409, True)
    assert changes(larder) == []


@pytest.mark.anyio
async def test_a_page_that_was_overtaken_changes_nothing(larder, guarded):
    async with guarded.come_in("administrator") as browser:
        path = "/admin/change/unit/v3-veg"
        row = await row_of(browser, path)
        assert (await browser.post(path, data={"row": row, "name": "First", "why": "w"})).status_code == 303
        late = await browser.post(path, data={"row": row, "name": "Second", "why": "w"})
    assert (late.status_code, "described it anew since" in late.text) == (409, True)
    assert units(larder)["v3-veg"].name == "First"


@pytest.mark.anyio
async def test_a_set_point_is_typed_and_shown_in_the_readers_scale(larder, guarded):
    async with guarded.come_in("administrator") as browser:
        browser.cookies.set("degrees", "f")
        path = "/admin/change/unit/v3-veg"
        typed = {"row": await row_of(browser, path), "scale": "f", "set_point_c": "35.6", "why": "w"}
        assert (await browser.post(path, data=typed)).status_code == 303
        assert units(larder)["v3-veg"].set_point_c == 2.0
        page = (await browser.get(path)).text
    assert 'Set point, °F <input name="set_point_c" value="35.6"' in page


@pytest.mark.anyio
async def test_in_an_open_house_a_name_is_chosen(larder):
    async with browsing(app_of(larder), accept="text/html") as browser:
        path = "/admin/change/unit/v3-veg"
        data = {"row": await row_of(browser, path), "name": "Salads", "why": "w"}
        assert (await browser.post(path, data=data)).status_code == 409
        assert (await browser.post(path, data={**data, "person": "Nobody N."})).status_code == 409
        assert changes(larder) == []
        assert (await browser.post(path, data={**data, "person": "Thandi M."})).status_code == 303
    assert [(line.who, line.signed) for line in changes(larder)] == [("Thandi M.", None)]


@pytest.mark.anyio
async def test_rows_are_looked_at_first_and_then_carried_out_whole(larder, guarded):
    async with guarded.come_in("administrator") as browser:
        looked = await hand_in(browser, GOOD)
        assert looked.status_code == 200
        assert "Nothing is changed yet." in looked.text
        assert "Salad drawer → Salads" in re.sub(r"\s+", " ", looked.text)
        assert changes(larder) == []
        path = f"/admin/rows/{token_of(looked)}"
        without_why = await browser.post(path, data={})
        assert without_why.status_code == 422
        assert changes(larder) == []
        done = await browser.post(f"/admin/rows/{token_of(without_why)}", data={"why": "new season"})
        assert done.headers["location"] == "/admin"
        twice = await browser.post(f"/admin/rows/{token_of(without_why)}", data={"why": "again"})
        assert "not kept here any more" in twice.text
        same = await hand_in(browser, GOOD)
        assert "Everything is described so already." in same.text
    assert {(line.key, line.why) for line in changes(larder)} == {
        (key, "new season") for key in ("lodge-1", "v9-new", "v3-veg")
    }


@pytest.mark.anyio
async def test_rows_with_faults_are_told_by_line_and_column(larder, guarded):
    async with guarded.come_in("administrator") as browser:
        answer = await hand_in(
            browser, f"{HEAD}unit,v9-new,New,fridge,nowhere\ncart,x-1,,,\nunit,v3-veg,<b>,warm,\n"
        )
        cells = re.findall(
            r'<tr><th scope="row">(\d*)</th><td>([^<]*)</td><td>([^<]*)</td></tr>', answer.text
        )
        assert [(line, column) for line, column, _ in cells] == [
            ("2", "site"),
            ("3", "record"),
            ("4", "kind"),
        ]
        assert 'action="/admin/rows/' not in answer.text
        for empty in (b"", b"\xff\xfea\x00"):
            assert (await hand_in(browser, empty)).status_code == 422
        large = await hand_in(browser, b"#" * (MOST_BYTES + 100_000))
        assert (large.status_code, "at most 5 MB" in large.text) == (413, True)
        lines = (MOST_BYTES - 1_000) // 100
        nearly = await hand_in(browser, HEAD + f"#{'x' * 98}\n" * lines)
        assert (nearly.status_code, "no rows under" in nearly.text) == (422, True)
        other = await browser.post("/admin/new/site", data={"name": "x" * (2 << 20)})
        assert (other.status_code, "at most 1 MB" in other.text) == (413, True)
    assert changes(larder) == []


@pytest.mark.anyio
async def test_rows_that_would_now_change_something_else_are_looked_at_again(larder, guarded):
    async with guarded.come_in("administrator") as browser:
        looked = await hand_in(browser, GOOD)
        path = "/admin/change/unit/v3-veg"
        await browser.post(path, data={"row": await row_of(browser, path), "name": "Greens", "why": "w"})
        answer = await browser.post(f"/admin/rows/{token_of(looked)}", data={"why": "season"})
        assert "changed in the meantime" in answer.text
        assert "Greens → Salads" in re.sub(r"\s+", " ", answer.text)
    async with guarded.come_in("administrator") as somebody_else:
        stolen = await somebody_else.post(f"/admin/rows/{token_of(answer)}", data={"why": "season"})
        assert "not kept here any more" in stolen.text
    assert [line.key for line in changes(larder)] == ["v3-veg"]


@pytest.mark.anyio
async def test_the_template_and_the_fleet_come_as_files(guarded):
    async with guarded.come_in("administrator") as browser:
        template = await browser.get("/admin/rows/template.csv")
        fleet = await browser.get("/admin/rows/fleet.csv")
    assert template.headers["content-type"].startswith("text/csv")
    rows = list(csv.reader(io.StringIO(fleet.content.decode("utf-8-sig"))))
    assert rows[:1] == list(csv.reader(io.StringIO(template.content.decode("utf-8-sig"))))
    assert [row[:3] for row in rows[1:4]] == [
        ["site", "vehicle-3", "Vehicle 3"], ["site", "river-camp", "River camp"], ["bank", "v3-aux", ""],
    ]  # fmt: skip


@pytest.mark.anyio
async def test_it_is_told_whether_a_unit_with_a_credential_was_ever_seen(larder, guarded):
    for unit, kind in (("camp-fish", ISSUED), ("camp-milk", ISSUED), ("v3-veg", ISSUED), ("v3-veg", REVOKED)):
        larder.records.note_event(kind, unit, {}, who="Ada B.", now_ms=NOW_MS - 60_000)
    fish = card("camp-fish", received_at=NOW_MS - 30_000)
    milk = card("camp-milk", received_at=NOW_MS - 90_000)
    larder.records.write_card(fish, analysis(fish))
    larder.records.write_card(milk, analysis(milk))
    async with guarded.come_in("administrator") as browser:
        page = (await browser.get("/admin")).text
        one = await browser.get("/admin/credentials/v3-veg")
    told = dict(re.findall(r'<a href="/admin/credentials/([a-z0-9-]+)">([^<]*)</a>', page))
    since = "2026-03-04 15:04 UTC"
    assert told["camp-fish"].startswith(f"credential since {since}, last heard")
    assert told["camp-milk"] == f"credential since {since}, never seen since"
    assert told["v3-veg"] == f"shut out since {since}"
    assert told["v3-meat"] == "never given a credential"
    assert one.headers["cache-control"] == "no-store"
    assert "bushlarder setup broker" in one.text


@pytest.mark.anyio
async def test_labels_lead_to_an_address_of_this_box_and_to_no_other(guarded):
    async with guarded.come_in("administrator", base="http://localhost:8420") as browser:
        page = await browser.get("/admin/labels")
        assert "no phone gets there" in page.text
        assert (await browser.get("/admin/labels?at=http://evil.example")).status_code == 422
        assert (await browser.get("/admin/labels.pdf?at=http://evil.example")).status_code == 422
        assert (await browser.get("/admin/labels.pdf?unit=no-such")).status_code == 404
        made = await browser.get("/admin/labels.pdf?unit=v3-meat&unit=camp-fish&size=single")
    words = "".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(made.content)).pages)
    assert ("v3-meat" in words, "camp-fish" in words, "v3-veg" in words) == (True, True, False)
