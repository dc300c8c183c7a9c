"""Tests of units over HTTP, on real records: begun, spoken of, watched, printed; and who may do what."""

import html
import io
import re

import httpx
import pytest
from pypdf import PdfReader

from dashboards.language import CHOSEN_DEGREES
from services.domain import JobOpened
from services.monitor.runtests import LATE_MS, RunTests
from services.timebase import HOUR_MS
from tests.helpers.benched import Block, concluded, played
from tests.helpers.guarded import CREW, Guarded
from tests.helpers.larder import NOW_MS, app_of, open_judged_larder

WHO = "Thandi M."
PAGES = "/workshop/tests"


@pytest.fixture(scope="module")
def larder(tmp_path_factory):
    larder = open_judged_larder(tmp_path_factory.mktemp("tests"))
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


def begun(unit="v3-veg", **fields):
    return {"person": WHO, "unit": unit, "kind": "run", **fields}


@pytest.mark.anyio
async def test_a_test_is_begun_by_a_form_watched_and_ended_by_hand(client, larder):
    form = begun(serial="17-A", technician="B. Mwale", load="20 kg of water", lead="yes", ambient_c="31,5")
    answer = await client.post(PAGES, data=form)
    assert answer.status_code == 303, answer.text
    at = answer.headers["location"]
    page = seen((await client.get(at)).text)
    assert "Running" in page
    assert "first readings are worked out within a minute" in page
    assert "17-A" in page
    assert "workshop's own lead" in page
    monitor = RunTests(larder.reader, larder.records)
    monitor.step(NOW_MS + HOUR_MS)
    page = seen((await client.get(at)).text)
    assert "Air around it, mean: 31.5 °C" in page
    assert "no clearance for food" in page
    for said in (
        {"kind": "shut"},
        {"kind": "ambient", "ambient_c": "33"},
        {"kind": "note", "note": "fan replaced"},
    ):
        assert (await client.post(f"{at}/say", data={"person": WHO, **said})).status_code == 303
    assert (await client.get(f"{at}/certificate")).status_code == 409
    assert (await client.post(f"{at}/say", data={"person": WHO, "kind": "stopped"})).status_code == 422
    await client.post(f"{at}/say", data={"person": WHO, "kind": "stopped", "note": "needed elsewhere"})
    assert monitor.step(NOW_MS + HOUR_MS + LATE_MS) != ()
    page = seen((await client.get(at)).text)
    assert "Not valid" in page
    for words in ("Length: 0.0 h (at least 12.0 h)", "fan replaced", "needed elsewhere", "33.0 °C"):
        assert words in page
    assert "End the test now" not in page
    assert (await client.post(f"{at}/say", data={"person": WHO, "kind": "shut"})).status_code == 409


@pytest.mark.anyio
async def test_a_certificate_names_every_line_its_limit_and_what_was_not_measured(client, larder):
    first = concluded(larder.records, "camp-milk", who=WHO, now_ms=NOW_MS - 13 * HOUR_MS)
    worn = played(12, block=Block(q_w=17.0), begin_c=10.0)
    number = concluded(
        larder.records, "camp-milk", who=WHO, now_ms=NOW_MS, series=worn, serial="9", technician="B. Mwale"
    )
    shown = seen((await client.get(f"{PAGES}/{number}")).text)
    listed = seen((await client.get(PAGES)).text)
    page = seen((await client.get(f"{PAGES}/{number}/certificate")).text)
    answer = await client.get(f"{PAGES}/{number}/certificate.pdf")
    assert answer.headers["content-type"] == "application/pdf"
    paper = " ".join(each.extract_text() for each in PdfReader(io.BytesIO(answer.content)).pages)
    paper = re.sub(r"\s+", " ", paper)
    for words in (
        "Fail",
        "From start to set point: not reached in 12.0 h (at most 6.0 h)",
        "Above the food's limit",
        "by word, not measured",
        "no channel measures the current",
        "common practice, no source",
        "licensed technicians",
        "no clearance for food",
        "B. Mwale",
    ):
        for told in (shown, page, paper):
            assert words in told, words
    assert f"Test {first}" in page
    assert "UTC+" in page
    assert "Fail" in listed
    assert not re.search(r"\bsafe", page, re.IGNORECASE)
    figure = (await client.get(f"{PAGES}/{number}/figure.json")).json()
    assert [s["y0"] for s in figure["layout"]["shapes"] if s["yref"] == "y"] == [4.0, 2.0]
    in_f = {"cookie": f"{CHOSEN_DEGREES}=f"}
    assert "39.2 °F" in seen((await client.get(f"{PAGES}/{number}", headers=in_f)).text)
    handed_on = seen((await client.get(f"{PAGES}/{number}/certificate", headers=in_f)).text)
    assert "°F" not in handed_on, "two copies of a certificate must not differ"


@pytest.mark.anyio
async def test_the_interface_begins_lists_and_notes_tests(client, larder):
    job = larder.records.open_job(
        JobOpened(person=WHO, unit="camp-fish", work="cooling", reason="does not get cold"), now_ms=NOW_MS
    )
    body = begun("camp-fish", kind="hold_over", words={"required_h": 6.0}, job=job)
    made = await client.post("/api/v1/runtests", json=body)
    assert made.status_code == 201, made.text
    test = made.json()
    note = {"person": WHO, "kind": "lid", "value": 1}
    said = await client.post(f"/api/v1/runtests/{test['id']}/notes", json=note)
    assert said.json()["said"][0]["kind"] == "lid"
    running = (await client.get(f"/api/v1/runtests?job={job}&running=true")).json()["items"]
    assert [each["id"] for each in running] == [test["id"]]
    assert (await client.get("/api/v1/runtests?unit=v3-meat")).json()["items"] == []
    assert (await client.post("/api/v1/runtests", json=body)).status_code == 409
    assert (await client.post("/api/v1/runtests", json={**body, "unit": "no-such"})).status_code == 404
    wrong = {"person": WHO, "kind": "lid", "value": 7}
    assert (await client.post(f"/api/v1/runtests/{test['id']}/notes", json=wrong)).status_code == 422
    assert (await client.get("/api/v1/runtests/99")).status_code == 404
    assert (await client.get(f"{PAGES}/99")).status_code == 404
    assert "Hold-over test" in seen((await client.get(f"/workshop/jobs/{job}")).text)


@pytest.mark.anyio
async def test_a_cook_sees_no_tests_an_inspector_reads_and_the_workshop_begins_them(larder):
    guarded = Guarded(larder)
    for role, reads, writes in (("cook", 403, 403), ("inspector", 200, 403), ("workshop", 200, 303)):
        form = begun("v3-meat", person=CREW[role][0])
        async with guarded.come_in(role) as who:
            assert (await who.get(PAGES)).status_code == reads, role
            assert (await who.get("/api/v1/runtests")).status_code == reads, role
            assert (await who.post(PAGES, data=form)).status_code == writes, role
    of_v3 = larder.records.run_tests(units={"v3-meat"})[0]
    assert of_v3.signed == "account"
    async with guarded.come_in("inspector") as ines:
        assert (await ines.get(f"{PAGES}/{of_v3.id}")).status_code == 404, "a vehicle she does not see"
