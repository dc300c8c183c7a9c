"""Notices over HTTP, on real records and a real look: listed, taken, put aside; and who may do what."""

import html
import re

import httpx
import pytest

from dashboards.language import LANGUAGES
from services.api.routes import PREFIX
from services.monitor.noticing import Noticing
from services.timebase import HOUR_MS, MINUTE_MS, datetime_of
from tests.helpers.guarded import CREW, Guarded
from tests.helpers.larder import NOW_MS, app_of, open_larder

WHO = "Thandi M."
CAMP_PAGE_BYTES = 5_000
KINDS = {"hold", "battery_short", "silence", "service_due"}
"""What the demo fleet has to tell: see `larder.cards`."""


@pytest.fixture(scope="module")
def larder(tmp_path_factory):
    larder = open_larder(tmp_path_factory.mktemp("notices"))
    noticing = Noticing(larder.records)
    for minutes in (50, 30, 10):
        noticing.step(NOW_MS - minutes * MINUTE_MS)
    yield larder
    larder.close()


@pytest.fixture
def anyio_backend():
    return "asyncio"


@pytest.fixture
def client(larder):
    return httpx.AsyncClient(
        transport=httpx.ASGITransport(app_of(larder)),
        base_url="http://localhost",
        headers={"sec-fetch-site": "same-origin", "accept": "text/html"},
    )


def seen(page):
    bare = re.sub(r"<(style|script)\b.*?</\1>|<[^>]+>", " ", page, flags=re.DOTALL)
    return re.sub(r"\s+", " ", html.unescape(bare))


async def of_kind(client, kind):
    found = (await client.get(f"{PREFIX}/notices")).json()["items"]
    return next(each for each in found if each["kind"] == kind)


@pytest.mark.anyio
async def test_every_trouble_of_the_fleet_is_told_once_with_all_there_is_to_say(client):
    items = (await client.get(f"{PREFIX}/notices")).json()["items"]
    assert {each["kind"] for each in items} == KINDS
    assert items[0]["kind"] == "hold"
    assert all(each["cause"] and each["consequence"] and each["what_to_do"] and each["who"] for each in items)
    there = (await client.get(f"{PREFIX}/notices", params={"site": "river-camp"})).json()["items"]
    assert {each["kind"] for each in there} == {"silence"}


@pytest.mark.anyio
async def test_the_page_says_what_it_is_by_when_what_to_do_and_who(client):
    page = seen((await client.get("/notices")).text)
    assert "Food on hold : Meat chest Vehicle 3" in page
    assert "Nothing in it may be served until somebody has decided." in page
    assert "cook: Probe the warmest pack" in page
    assert "Nobody can tell whether food in it is cold." in page
    assert "charge it" in page.lower()
    assert "exhaust kills" in page


@pytest.mark.anyio
async def test_the_fleet_page_counts_what_nobody_has_taken(client):
    new = [e for e in (await client.get(f"{PREFIX}/notices")).json()["items"] if e["state"] == "new"]
    assert f"{len(new)} notice" in seen((await client.get("/fleet")).text)


@pytest.mark.anyio
async def test_a_notice_is_taken_by_a_form_and_its_verdict_stays(client, larder):
    hold = await of_kind(client, "hold")
    answer = await client.post(
        f"/notices/{hold['id']}/say", data={"person": WHO, "kind": "acknowledged", "back": "list"}
    )
    assert (answer.status_code, answer.headers["location"]) == (303, "/notices")
    assert f"{WHO} sees to it" in seen((await client.get(f"/notices/{hold['id']}")).text)
    assert larder.records.card("v3-meat").standing == "hold"
    told = (await client.get(f"{PREFIX}/notices/{hold['id']}")).json()
    assert [line["kind"] for line in told["lines"]] == ["raised", "acknowledged"]
    assert told["lines"][-1]["who"] == WHO


@pytest.mark.anyio
async def test_the_cooks_page_says_first_what_to_do_and_a_tap_that_waited_keeps_both_times(client):
    number = (await of_kind(client, "silence"))["id"]
    page = (await client.get("/camp/river-camp")).text
    head = seen(page.partition('class="ok"')[0])
    assert "For you to do Look: does it run, is it plugged in, is the lid shut? Probe the food." in head
    assert f'formaction="/notices/{number}/say"' in page
    said_ms = NOW_MS - MINUTE_MS
    clocks = {"idempotency-key": "n" * 20, "said-on-phone": f"said={said_ms}, sent={NOW_MS}, ahead=0"}
    form = {"person": WHO, "kind": "acknowledged", "back": "/camp/river-camp"}
    answer = await client.post(f"/notices/{number}/say", data=form, headers=clocks)
    assert (answer.status_code, answer.headers["location"]) == (201, "/camp/river-camp")
    again = await client.post(f"/notices/{number}/say", data=form, headers=clocks)
    assert again.json() == {"written": "before"}
    lines = (await client.get(f"{PREFIX}/notices/{number}")).json()["lines"]
    assert [line["said"] is not None for line in lines if line["kind"] == "acknowledged"] == [True]
    assert "said at 2026-03-04 17:04 on a phone" in seen((await client.get(f"/notices/{number}")).text)
    assert f"{WHO} sees to it" in seen((await client.get("/camp/river-camp")).text)


@pytest.mark.anyio
async def test_nobody_is_led_out_of_the_house_after_taking_a_notice(client):
    number = (await of_kind(client, "silence"))["id"]
    form = {"person": WHO, "kind": "acknowledged", "back": "//elsewhere.example"}
    assert (await client.post(f"/notices/{number}/say", data=form)).status_code == 422


@pytest.mark.anyio
@pytest.mark.parametrize("language", LANGUAGES)
async def test_the_cooks_page_with_notices_is_still_small(client, language):
    asked = {"accept-encoding": "gzip", "accept-language": language}
    for place in ("vehicle-3", "river-camp"):
        async with client.stream("GET", f"/camp/{place}", headers=asked) as answer:
            packed = b"".join([part async for part in answer.aiter_raw()])
        assert answer.headers["content-encoding"] == "gzip"
        assert len(packed) <= CAMP_PAGE_BYTES, place


@pytest.mark.anyio
async def test_a_hold_is_not_put_aside_and_the_page_offers_no_form_for_it(client):
    hold = await of_kind(client, "hold")
    page = (await client.get(f"/notices/{hold['id']}")).text
    assert 'value="shelved"' not in page
    assert "is not put aside" in seen(page)
    body = {"person": WHO, "reason": "noise", "until": datetime_of(NOW_MS + HOUR_MS).isoformat()}
    answer = await client.post(f"{PREFIX}/notices/{hold['id']}/shelve", json=body)
    assert answer.status_code == 409, answer.text


@pytest.mark.anyio
async def test_a_silence_is_put_aside_with_reason_and_end_and_put_back(client):
    number = (await of_kind(client, "silence"))["id"]
    form = {"person": WHO, "kind": "shelved", "hours": "4"}
    assert (await client.post(f"/notices/{number}/say", data=form)).status_code == 422
    form["reason"] = "no coverage on that road"
    assert (await client.post(f"/notices/{number}/say", data=form)).status_code == 303
    page = seen((await client.get(f"/notices/{number}")).text)
    assert "Aside until 21:05." in page
    assert "no coverage on that road" in page.lower()
    assert "Put aside 1" in seen((await client.get("/notices")).text)
    back = {"person": WHO, "reason": "in range again", "back": True}
    answer = await client.post(f"{PREFIX}/notices/{number}/out-of-service", json=back)
    assert (answer.status_code, answer.json()["state"]) == (201, "new")


@pytest.mark.anyio
async def test_a_shelving_over_the_interface_ends_within_a_day(client):
    number = (await of_kind(client, "silence"))["id"]
    late = {"person": WHO, "reason": "x", "until": datetime_of(NOW_MS + 30 * HOUR_MS).isoformat()}
    assert (await client.post(f"{PREFIX}/notices/{number}/shelve", json=late)).status_code == 409
    assert (await client.get(f"{PREFIX}/notices/999")).status_code == 404
    assert (await client.get("/notices/999")).status_code == 404


@pytest.mark.anyio
async def test_what_is_quiet_by_design_is_named_with_why(client, larder):
    assert "Not told of, by design" not in seen((await client.get("/notices")).text)
    larder.records.say_unit_state("v3-veg", "off", who=WHO, now_ms=NOW_MS)
    page = seen((await client.get("/notices")).text)
    larder.records.say_unit_state("v3-veg", "in_use", who=WHO, now_ms=NOW_MS + 1)
    assert "Not told of, by design 1" in page
    assert "Salad drawer : switched off" in page


@pytest.mark.anyio
async def test_rates_stand_beside_what_standards_call_bearable(client):
    rates = (await client.get(f"{PREFIX}/notices/rates")).json()
    assert rates["count"] >= len(KINDS)
    assert sum(rates["shares"].values()) == pytest.approx(1.0)
    assert {"cook", "manager"} <= {each["who"] for each in rates["reached"]}
    page = seen((await client.get("/notices")).text)
    assert "Notices a day, to whom most come" in page
    assert "ANSI/ISA-18.2-2016" in page


@pytest.mark.anyio
async def test_a_cook_sees_and_answers_only_what_is_at_the_own_camp(larder):
    found = {notice.kind: notice for notice in larder.records.notices(now_ms=NOW_MS)}
    own, other = found["silence"].id, found["hold"].id
    body = {"person": CREW["cook"][0]}
    async with Guarded(larder).come_in("cook") as cook:
        seen_here = {each["id"] for each in (await cook.get(f"{PREFIX}/notices")).json()["items"]}
        assert seen_here & {own, other} == {own}
        assert (await cook.get(f"/notices/{other}")).status_code == 404
        assert (await cook.post(f"{PREFIX}/notices/{other}/acknowledge", json=body)).status_code == 404
        assert (await cook.post(f"{PREFIX}/notices/{own}/acknowledge", json=body)).status_code == 201
        name = {"person": "Thandi M."}
        assert (await cook.post(f"{PREFIX}/notices/{own}/acknowledge", json=name)).status_code == 409


@pytest.mark.anyio
async def test_an_inspector_reads_notices_and_answers_none(larder):
    number = next(n.id for n in larder.records.notices(now_ms=NOW_MS) if n.site == "river-camp")
    async with Guarded(larder).come_in("inspector") as inspector:
        page = await inspector.get(f"/notices/{number}")
        assert page.status_code == 200
        assert "Answer it" not in page.text
        form = {"person": CREW["inspector"][0], "kind": "acknowledged"}
        assert (await inspector.post(f"/notices/{number}/say", data=form)).status_code == 403
