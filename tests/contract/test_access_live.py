"""Checklist rows 23, 25 and 28: headers, the live stream, errors; and signing as whoever one is."""

import asyncio
import json
import re

import httpx
import pytest

from services.api import live
from services.api.schemas import Check
from tests.helpers.guarded import CREW, SECURE, Guarded
from tests.helpers.larder import NOW_MS, analysis, card, open_larder
from tests.helpers.web import serving

JONAS = CREW["cook"][0]


@pytest.fixture
def anyio_backend():
    return "asyncio"


@pytest.fixture
def guarded(tmp_path):
    larder = open_larder(tmp_path)
    yield Guarded(larder)
    larder.close()


@pytest.mark.anyio
@pytest.mark.parametrize(
    "path", ["/login", "/welcome", "/account", "/people", "/fleet", "/camp", "/nowhere", "/units/x"]
)
async def test_23_every_page_keeps_to_itself(guarded, path):
    async with guarded.come_in("administrator", SECURE) as browser:
        answer = await browser.get(path)
    policy = answer.headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "same-origin"
    assert answer.headers["strict-transport-security"] == "max-age=31536000"
    styles = re.findall(r"<style>(.*?)</style>", answer.text, re.DOTALL)
    assert all(live_hash in policy for live_hash in map(hash_of, styles))
    assert " style=" not in answer.text
    assert not re.search(r" on[a-z]+=", answer.text)


def hash_of(text):
    from services.api.middleware import text_hash  # noqa: PLC0415 - named beside its use

    return text_hash(text)


@pytest.mark.anyio
async def test_23_without_tls_no_browser_is_told_to_insist_on_it(guarded):
    async with guarded.browser() as browser:
        assert "strict-transport-security" not in (await browser.get("/login")).headers


@pytest.mark.anyio
async def test_28_errors_tell_no_stack_and_no_query(guarded, monkeypatch):
    def broken(*_args, **_kwargs):
        raise RuntimeError("SELECT password FROM accounts")

    async with guarded.come_in("manager") as browser:
        monkeypatch.setattr(guarded.app.state.desk._records, "cards", broken)
        monkeypatch.setattr("services.api.middleware._log.exception", lambda *_a, **_k: None)
        for path in ("/fleet", "/api/v1/units"):
            answer = await browser.get(path)
            assert answer.status_code == 500
            for word in ("Traceback", "RuntimeError", "SELECT", ".py", "/work"):
                assert word not in answer.text
    assert guarded.app.debug is False


@pytest.mark.anyio
async def test_28_the_interface_is_described_only_to_who_has_come_in_and_asks(guarded):
    async with guarded.browser() as outside, guarded.come_in("manager") as inside:
        assert (await outside.get("/api/v1/openapi.json")).status_code == 401
        assert (await inside.get("/api/v1/openapi.json")).status_code == 200
        for path in ("/docs", "/redoc", "/api/v1/docs"):
            assert (await inside.get(path)).status_code == 404
        health = await outside.get("/health", headers={"accept": "application/json"})
        assert health.json() == {"status": health.json()["status"]}


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("kind", "signed", "word"),
    [
        ("person", "account", "verified"),
        ("device", "device", "not verified"),
        ("machine", "machine", "not verified"),
    ],
)
async def test_what_is_said_carries_how_it_was_signed(guarded, kind, signed, word):
    said = {"unit": "camp-milk", "person": JONAS, "probe_c": 3.2}
    if kind == "person":
        opened = guarded.come_in("cook")
    elif kind == "device":
        code = guarded.records.device_code("Phone", frozenset({"river-camp"}), who="Ada B.", now_ms=NOW_MS)
        secret = guarded.records.enrol(code, now_ms=NOW_MS)
        opened = guarded.browser(cookie=f"bushlarder={secret}")
    else:
        opened = guarded.program(
            guarded.records.give_token("probe", "cook", None, who="Ada B.", now_ms=NOW_MS)
        )
    async with opened as asker:
        assert (await asker.post("/api/v1/checks", json=said)).status_code == 201
        put = {"person": JONAS, "unit": "camp-milk", "what": "Goat", "food_class": "red_meat"}
        batch = (await asker.post("/api/v1/batches", json=put)).json()["batch"]["id"]
        (row,) = (await asker.get("/api/v1/units/camp-milk/statements")).json()["items"]
        assert (row["who"], row["signed"]) == (JONAS, signed)
        events = (await asker.get(f"/api/v1/batches/{batch}/events")).json()["items"]
        assert {event["signed"] for event in events} == {signed}
        page = await asker.get("/units/camp-milk")
        assert f"name {word}" in page.text
        camp = (await asker.get("/camp/river-camp")).text
        assert ('<select name="person"' in camp) is (kind != "person")


@pytest.mark.anyio
async def test_somebody_who_logged_in_cannot_sign_as_another(guarded):
    async with guarded.come_in("cook") as browser:
        answer = await browser.post(
            "/api/v1/checks", json={"unit": "camp-milk", "person": "Thandi M.", "probe_c": 3.2}
        )
        assert (answer.status_code, "sign as yourself" in answer.text) == (409, True)
    assert guarded.records.statements("camp-milk") == []
    assert Check(unit="camp-milk", person="Thandi M.", probe_c=3.2)  # the body itself was in order


def changed(guarded, unit):
    guarded.records.write_card(card(unit, as_of=NOW_MS + 60_000), analysis(card(unit, as_of=NOW_MS + 60_000)))


async def heard(lines, within_s=3.0):
    """Return the cabinets of the next event, None when nothing comes or the stream ends."""
    try:
        async with asyncio.timeout(within_s):
            async for line in lines:
                if line.startswith("data:"):
                    return [each["unit"] for each in json.loads(line[5:])["units"]]
    except TimeoutError:
        return None
    return "ended"


@pytest.mark.anyio
async def test_25_the_live_stream_asks_who_listens_and_tells_each_their_own(guarded, monkeypatch):
    monkeypatch.setattr(live, "ASKS_AGAIN_S", 0.5)
    with serving(guarded.app) as at:
        async with httpx.AsyncClient(base_url=at, timeout=20) as outside:
            assert (await outside.get("/api/v1/live")).status_code == 401
        async with guarded.come_in("cook") as browser:
            cookie = f"bushlarder={browser.cookies['bushlarder']}"
        headers = {"cookie": cookie, "sec-fetch-site": "same-origin"}
        async with httpx.AsyncClient(base_url=at, timeout=20, headers=headers) as cook:
            other = await cook.get("/api/v1/live", headers={"sec-fetch-site": "cross-site"})
            assert other.status_code == 403
            async with cook.stream("GET", "/api/v1/live") as stream:
                assert stream.status_code == 200
                lines = stream.aiter_lines()
                await asyncio.sleep(0.5)
                changed(guarded, "v3-meat")
                await asyncio.sleep(0.5)
                changed(guarded, "camp-milk")
                assert await heard(lines) == ["camp-milk"]
                assert (await cook.post("/logout")).status_code == 303
                assert await heard(lines, 5.0) == "ended", "nobody listens on after logging out"
