"""Checklist row 27: a camp cook cannot see another camp's cabinets by changing ids."""

import pytest

from services.domain import BatchNew
from tests.helpers.guarded import Guarded
from tests.helpers.larder import NOW_MS, open_larder

OWN, FOREIGN = "camp-milk", "v3-meat"


@pytest.fixture
def anyio_backend():
    return "asyncio"


@pytest.fixture
def guarded(tmp_path):
    larder = open_larder(tmp_path)
    yield Guarded(larder)
    larder.close()


def batch_in(guarded, unit, what="Beef"):
    new = BatchNew(unit=unit, what=what, food_class="red_meat")
    return guarded.records.load_batch(new, who="Thandi M.", now_ms=NOW_MS)


@pytest.mark.anyio
async def test_every_address_of_another_places_cabinet_is_not_there(guarded):
    foreign, own = batch_in(guarded, FOREIGN), batch_in(guarded, OWN)
    places = [
        *(f"/units/{{unit}}{rest}" for rest in ("", "/log", "/log.csv", "/log.pdf")),
        "/units/{unit}/figure.json?from=2026-03-04T00:00:00Z&to=2026-03-04T12:00:00Z",
        *(
            f"/api/v1/units/{{unit}}{rest}"
            for rest in (
                "", "/statements", "/samples", "/exposure", "/cutouts", "/service", "/sensors", "/battery",
                "/runout",
            )
        ),
    ]  # fmt: skip
    async with guarded.come_in("cook") as cook, guarded.come_in("manager") as manager:
        for place in places:
            answer = await cook.get(place.format(unit=FOREIGN))
            assert answer.status_code == 404, place
            assert "Meat chest" not in answer.text
            there = await manager.get(place.format(unit=FOREIGN))
            assert there.status_code in {200, 503}, place  # 503: no log is made in this application
        for rest in ("", "/events", "/verdicts"):
            assert (await cook.get(f"/api/v1/batches/{foreign}{rest}")).status_code == 404
            assert (await cook.get(f"/api/v1/batches/{own}{rest}")).status_code == 200
        assert (await cook.get(f"/batches/{foreign}")).status_code == 404
        for rest in ("", "/add", "/add/details", "/food"):
            assert (await cook.get(f"/camp/vehicle-3{rest}")).status_code == 404
            assert (await cook.get(f"/camp/river-camp{rest}")).status_code == 200


@pytest.mark.anyio
async def test_lists_hold_what_is_seen_and_nothing_else(guarded):
    batch_in(guarded, FOREIGN, "Kudu fillet"), batch_in(guarded, OWN, "Goat")
    async with guarded.come_in("cook") as cook:
        units = (await cook.get("/api/v1/units")).json()["items"]
        assert {card["site"] for card in units} == {"river-camp"}
        assert [site["id"] for site in (await cook.get("/api/v1/sites")).json()["items"]] == ["river-camp"]
        batches = (await cook.get("/api/v1/batches")).json()["items"]
        assert [card["batch"]["what"] for card in batches] == ["Goat"]
        assert (await cook.get("/api/v1/batches?site=vehicle-3")).json()["items"] == []
        for page in (
            *("/", "/fleet", "/tonight", "/camp", "/camp/river-camp", "/camp/river-camp/food"),
            *("/history", "/departure", "/supplies", "/plan", "/compare"),
        ):
            answer = await cook.get(page)
            assert answer.status_code == 200, page
            for word in ("Meat chest", "v3-meat", "Salad drawer", "Vehicle 3", "vehicle-3", "Kudu fillet"):
                assert word not in answer.text, (page, word)


@pytest.mark.anyio
async def test_nothing_can_be_said_of_another_places_cabinet(guarded):
    foreign, own = batch_in(guarded, FOREIGN), batch_in(guarded, OWN)
    me = {"person": "Jonas K."}
    async with guarded.come_in("cook") as cook:
        for path, body in (
            (f"/api/v1/units/{FOREIGN}/state", {**me, "state": "empty"}),
            ("/api/v1/checks", {**me, "unit": FOREIGN, "probe_c": 3.0}),
            ("/api/v1/batches", {**me, "unit": FOREIGN, "what": "Beef", "food_class": "red_meat"}),
            (f"/api/v1/batches/{foreign}/events", {**me, "kind": "moved", "unit": OWN}),
        ):
            assert (await cook.post(path, json=body)).status_code == 404, path
        moved = await cook.post(
            f"/api/v1/batches/{own}/events", json={**me, "kind": "moved", "unit": FOREIGN}
        )
        assert (moved.status_code, "no unit" in moved.text) == (409, True), moved.text
    assert guarded.records.statements(FOREIGN) == []
    assert guarded.records.batch_card(own).batch.unit == OWN


@pytest.mark.anyio
async def test_a_place_given_to_a_cook_is_seen_at_once(guarded):
    async with guarded.come_in("cook") as cook:
        assert (await cook.get(f"/units/{FOREIGN}")).status_code == 404
        guarded.records.change_account(
            guarded.account("cook").no, "cook", frozenset({"vehicle-3"}), who="Ada B.", now_ms=NOW_MS
        )
        assert (await cook.get(f"/units/{FOREIGN}")).status_code == 200
        assert (await cook.get(f"/units/{OWN}")).status_code == 404


@pytest.mark.anyio
async def test_a_program_with_a_token_of_one_place_sees_that_place(guarded):
    token = guarded.records.give_token(
        "kitchen display", "cook", frozenset({"river-camp"}), who="Ada B.", now_ms=NOW_MS
    )
    async with guarded.program(token) as program:
        assert {c["site"] for c in (await program.get("/api/v1/units")).json()["items"]} == {"river-camp"}
        assert (await program.get(f"/api/v1/units/{FOREIGN}")).status_code == 404
