"""The demonstration: open on this machine, a banner on every page, and anybody may be any of its people."""

import pytest

from tests.helpers.guarded import Guarded
from tests.helpers.larder import open_larder


@pytest.fixture
def anyio_backend():
    return "asyncio"


@pytest.fixture
def guarded(tmp_path):
    larder = open_larder(tmp_path)
    yield Guarded(larder, demo=True, crew=False)
    larder.close()


@pytest.mark.anyio
async def test_every_page_and_the_interface_are_open_and_say_what_this_is(guarded):
    async with guarded.browser() as browser:
        for path in ("/", "/fleet", "/camp", "/camp/river-camp", "/workshop", "/units/camp-milk", "/tonight"):
            answer = await browser.get(path)
            assert (answer.status_code, "Demonstration: no passwords." in answer.text) == (200, True), path
        assert (await browser.get("/api/v1/units")).status_code == 200


@pytest.mark.anyio
async def test_each_person_is_two_clicks_from_their_page(guarded):
    starts = {"Thandi M.": "/fleet", "Jonas K.": "/camp", "Demonstration administrator": "/people"}
    async with guarded.browser() as browser:
        assert 'href="/login"' in (await browser.get("/")).text
        choice = (await browser.get("/login")).text
        for name, start in starts.items():
            assert f'value="{name}"' in choice
            there = await browser.post("/login/demo", data={"name": name})
            assert (there.status_code, there.headers["location"]) == (303, start)
            assert f"You are {name}" in (await browser.get(start)).text


@pytest.mark.anyio
async def test_a_chosen_person_has_their_rights_and_no_more_until_they_leave(guarded):
    async with guarded.browser() as browser:
        await browser.post("/login/demo", data={"name": "Jonas K."})
        assert (await browser.get("/camp/river-camp")).status_code == 200
        assert (await browser.get("/camp/vehicle-3")).status_code == 404
        assert (await browser.get("/workshop")).status_code == 403
        left = await browser.post("/logout")
        assert left.headers["location"] == "/fleet"
        assert (await browser.get("/workshop")).status_code == 200


@pytest.mark.anyio
async def test_it_is_for_this_machine_only(guarded):
    async with guarded.browser("http://rebound.example:8420") as browser:
        assert (await browser.get("/fleet")).status_code == 303
        assert (await browser.get("/api/v1/units")).status_code == 401


@pytest.mark.anyio
async def test_outside_the_demonstration_nobody_is_let_in_by_name(tmp_path):
    larder = open_larder(tmp_path)
    async with Guarded(larder).browser() as browser:
        assert (await browser.post("/login/demo", data={"name": "Jonas K."})).status_code == 404
        assert "Jonas" not in (await browser.get("/login")).text
    larder.close()
