"""Jobs, departures and planned service over HTTP, on real records: what is answered, and to whom."""

import httpx
import pytest

from services.timebase import DAY_MS, iso_of
from tests.helpers.guarded import CREW, Guarded
from tests.helpers.larder import NOW_MS, app_of, open_larder

ASKED = {"person": "Thandi M.", "unit": "v3-meat", "work": "wiring", "reason": "Lost voltage on the way"}
SAID = {"person": "Thandi M."}


@pytest.fixture(scope="module")
def larder(tmp_path_factory):
    larder = open_larder(tmp_path_factory.mktemp("jobs"))
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
        headers={"sec-fetch-site": "same-origin"},
    )


@pytest.mark.anyio
async def test_a_job_is_opened_noted_checked_and_closed(client):
    body = {**ASKED, "parts": [{"what": "fuse 15 A", "count": 2}], "cold_by": iso_of(NOW_MS + DAY_MS)}
    opened = await client.post("/api/v1/jobs", json=body)
    assert opened.status_code == 201, opened.text
    job = opened.json()
    at = f"/api/v1/jobs/{job['number']}"
    assert (job["state"], job["cold_by"], job["opened_by"]) == ("open", iso_of(NOW_MS + DAY_MS), "Thandi M.")
    sheet = {"check": "vacuum", "reached_micron": 300, "after_micron": 900, "minutes": 20}
    for said in (
        {**SAID, "kind": "noted", "note": "joint was green", "used": [{"what": "joint"}]},
        {**SAID, "kind": "checked", "sheet": sheet},
    ):
        answer = await client.post(f"{at}/notes", json=said)
        assert answer.status_code == 201, answer.text
    closed = await client.post(f"{at}/close", json={**SAID, "outcome": "done", "note": "new joint"})
    assert closed.json()["outcome"] == "done"
    assert [line["said"]["kind"] for line in closed.json()["lines"]] == [
        "opened",
        "noted",
        "checked",
        "closed",
    ]
    assert (await client.get(at)).json() == closed.json()
    listed = (await client.get("/api/v1/jobs?unit=v3-meat&state=closed")).json()["items"]
    assert closed.json() in listed
    again = await client.post(f"{at}/close", json={**SAID, "outcome": "done"})
    assert (again.status_code, again.json()["code"]) == (409, "refused")


@pytest.mark.anyio
async def test_what_there_is_not_is_not_found_and_what_does_not_fit_is_not_taken(client):
    assert (await client.get("/api/v1/jobs/999999")).json()["code"] == "unknown_job"
    answer = await client.post("/api/v1/jobs", json={**ASKED, "work": "magic"})
    assert answer.status_code == 422
    refused = await client.post("/api/v1/jobs", json={**ASKED, "unit": "v9-none"})
    assert refused.status_code == 404


@pytest.mark.anyio
async def test_planned_service_says_never_recorded_and_a_done_job_starts_its_clock(client):
    found = (await client.get("/api/v1/planned?unit=camp-milk")).json()["items"]
    gasket = next(each for each in found if each["work"] == "gasket")
    assert gasket["due"] is None
    assert gasket["due_reason"].startswith("never recorded")
    assert gasket["source"] == "common practice, no source"
    opened = await client.post("/api/v1/jobs", json={**ASKED, "unit": "camp-milk", "work": "gasket"})
    at = f"/api/v1/jobs/{opened.json()['number']}/close"
    await client.post(at, json={**SAID, "outcome": "done"})
    found = (await client.get("/api/v1/planned?unit=camp-milk")).json()["items"]
    gasket = next(each for each in found if each["work"] == "gasket")
    assert (gasket["last"], gasket["last_from"], gasket["by"]) == (iso_of(NOW_MS), "job", "days")
    assert gasket["due"] == iso_of(NOW_MS + 180 * DAY_MS)


@pytest.mark.anyio
async def test_a_departure_is_said_and_taken_back(client):
    said = {**SAID, "site": "vehicle-3", "leaves": iso_of(NOW_MS + 2 * DAY_MS)}
    assert (await client.post("/api/v1/departures", json=said)).status_code == 201
    assert [d["site"] for d in (await client.get("/api/v1/departures")).json()["items"]] == ["vehicle-3"]
    await client.post("/api/v1/departures", json={**said, "leaves": None})
    assert (await client.get("/api/v1/departures")).json()["items"] == []


@pytest.mark.anyio
async def test_people_sign_as_themselves_and_see_the_jobs_of_their_places_only(tmp_path_factory):
    larder = open_larder(tmp_path_factory.mktemp("guarded"))
    guarded = Guarded(larder)
    async with guarded.come_in("workshop", accept="application/json") as wes:
        as_another = await wes.post("/api/v1/jobs", json=ASKED)
        assert as_another.status_code == 409
        name = CREW["workshop"][0]
        opened = await wes.post("/api/v1/jobs", json={**ASKED, "person": name})
        assert opened.status_code == 201
        assert opened.json()["lines"][0]["signed"] == "account"
    async with guarded.come_in("inspector", accept="application/json") as ines:
        assert (await ines.get("/api/v1/jobs")).json()["items"] == [], "a vehicle she does not see"
        assert (await ines.get("/api/v1/jobs/1")).status_code == 404
        assert {d["unit"] for d in (await ines.get("/api/v1/planned")).json()["items"]} <= {
            "camp-fish", "camp-milk", "camp-new",
        }  # fmt: skip
        assert (await ines.post("/api/v1/jobs", json=ASKED)).status_code == 403
    async with guarded.come_in("cook", accept="application/json") as jonas:
        assert (await jonas.get("/api/v1/jobs")).status_code == 403
    larder.close()
