"""The contract of the HTTP API, asked over real HTTP of the real application on real databases."""

import json
import re
import sqlite3

import httpx
import jsonschema
import pytest
from structlog.testing import capture_logs

from services.api import jobroutes, routes, runtestroutes
from services.api.routes import PREFIX
from services.box import Box
from services.domain import Verdict
from services.timebase import DAY_MS, HOUR_MS, iso_of
from tests.helpers.larder import NOW_MS, analysis, app_of, card, open_larder
from tests.helpers.web import serving

GOOD_BODIES = {
    "/api/v1/units/{unit}/state": {"person": "Thandi M.", "state": "in_use"},
    "/api/v1/releases": {
        "unit": "v3-meat",
        "person": "Thandi M.",
        "probe_c": 3.4,
        "disposition": "discarded",
        "reason": "warm too long",
    },
    "/api/v1/checks": {"unit": "v3-meat", "person": "Thandi M.", "probe_c": 3.4},
    "/api/v1/corrections": {"unit": "v3-meat", "person": "Thandi M.", "line": 3, "reason": "Mixed up."},
    "/api/v1/commands": {"unit": "v3-meat", "person": "Thandi M.", "command": "status"},
    "/api/v1/batches": {
        "unit": "v3-meat",
        "person": "Thandi M.",
        "what": "Beef, whole",
        "food_class": "red_meat",
        "quantity": 4.0,
        "core_c": 2.5,
        "use_by": "2026-03-09",
    },
    "/api/v1/batches/{batch}/events": {"person": "Thandi M.", "kind": "probed", "probe_c": 3.1},
    "/api/v1/jobs": {
        "person": "Thandi M.",
        "unit": "v3-meat",
        "work": "wiring",
        "reason": "Lost voltage on the way",
    },
    "/api/v1/jobs/{number}/notes": {"person": "Thandi M.", "kind": "noted", "note": "joint was green"},
    "/api/v1/jobs/{number}/close": {"person": "Thandi M.", "outcome": "done"},
    "/api/v1/departures": {"person": "Thandi M.", "site": "vehicle-3", "leaves": iso_of(NOW_MS + DAY_MS)},
    "/api/v1/runtests": {"person": "Thandi M.", "unit": "v3-meat", "kind": "run"},
    "/api/v1/runtests/{number}/notes": {"person": "Thandi M.", "kind": "note", "note": "on the bench"},
}


@pytest.fixture(scope="module")
def larder(tmp_path_factory):
    found = open_larder(tmp_path_factory.mktemp("larder"))
    yield found
    found.close()


@pytest.fixture(scope="module")
def client(larder):
    with serving(app_of(larder)) as base, httpx.Client(base_url=base, timeout=10) as found:
        first = {**GOOD_BODIES["/api/v1/batches"], "unit": "v3-veg"}
        assert found.post(f"{PREFIX}/batches", json=first).status_code == 201
        for path in ("/api/v1/jobs", "/api/v1/runtests"):
            assert found.post(path, json={**GOOD_BODIES[path], "unit": "v3-veg"}).status_code == 201
        yield found


@pytest.fixture(scope="module")
def openapi(client):
    return client.get(f"{PREFIX}/openapi.json").json()


def schema_of(openapi, reference):
    """Return a schema of the document with the components it refers to."""
    return {**reference, "components": openapi["components"]}


def fits(openapi, reference, body):
    jsonschema.validate(
        body,
        schema_of(openapi, reference),
        format_checker=jsonschema.FormatChecker(),
        cls=jsonschema.Draft202012Validator,
    )


def is_problem(openapi, response, status):
    assert response.status_code == status, response.text
    assert response.headers["content-type"] == "application/problem+json"
    body = response.json()
    fits(openapi, {"$ref": "#/components/schemas/Problem"}, body)
    assert body["status"] == status
    assert "Traceback" not in response.text
    return body


def operations(openapi):
    return [
        (method, path, found) for path, item in openapi["paths"].items() for method, found in item.items()
    ]


def filled(path, unit="v3-meat", batch=1, number=1):
    return path.replace("{unit}", unit).replace("{batch}", str(batch)).replace("{number}", str(number))


def test_every_route_is_documented(openapi):
    served = {
        (method.lower(), route.path)
        for router in (routes.router, jobroutes.router, runtestroutes.router)
        for route in router.routes
        for method in route.methods - {"HEAD"}
        if route.include_in_schema
    }
    assert served == {(method, path) for method, path, _ in operations(openapi)}
    assert len(served) >= 18
    for _, path, found in operations(openapi):
        assert found["description"], path
        assert all(answer.get("description") for answer in found["responses"].values()), path


def test_every_read_answers_with_the_shape_it_promises(client, openapi):
    asked = 0
    for method, path, found in operations(openapi):
        if method != "get" or path.endswith("/live"):
            continue
        response = client.get(filled(path))
        assert response.status_code == 200, (path, response.text)
        fits(openapi, found["responses"]["200"]["content"]["application/json"]["schema"], response.json())
        asked += 1
    assert asked >= 13


def test_every_change_answers_with_the_shape_it_promises(client, openapi):
    posts = [(path, found) for method, path, found in operations(openapi) if method == "post"]
    assert {path for path, _ in posts} == set(GOOD_BODIES)
    for path, found in posts:
        response = client.post(filled(path), json=GOOD_BODIES[path])
        assert response.status_code in {201, 202}, (path, response.text)
        answer = found["responses"][str(response.status_code)]["content"]["application/json"]["schema"]
        fits(openapi, answer, response.json())


def test_lists_have_items_and_next(client):
    for name in ("sites", "units", "waiting", "units/v3-meat/exposure", "units/v3-meat/statements"):
        body = client.get(f"{PREFIX}/{name}").json()
        assert isinstance(body["items"], list), name
        assert body["next"] is None


def test_an_unknown_unit_is_a_problem_on_every_route(client, openapi):
    for method, path, _ in operations(openapi):
        body = GOOD_BODIES.get(path)
        if "{unit}" in path:
            response = client.request(method, filled(path, "nobody"), json=body)
        elif method == "post" and body is not None and "unit" in body:
            response = client.request(method, path, json={**body, "unit": "nobody"})
        else:
            continue
        assert is_problem(openapi, response, 404)["code"] == "unknown_unit", path


def test_an_unknown_batch_is_a_problem_on_every_route(client, openapi):
    for method, path, _ in operations(openapi):
        if "{batch}" in path:
            response = client.request(method, filled(path, batch=10**6), json=GOOD_BODIES.get(path))
            assert is_problem(openapi, response, 404)["code"] == "unknown_batch", path


def test_batches_are_told_apart_by_where_they_are(client):
    loaded = client.post(f"{PREFIX}/batches", json=GOOD_BODIES["/api/v1/batches"]).json()
    number = loaded["batch"]["id"]
    assert (loaded["standing"], loaded["batch"]["loaded_by"]) == ("no_data", "Thandi M.")

    def ids(**query):
        found = client.get(f"{PREFIX}/batches", params=query).json()["items"]
        return {card["batch"]["id"] for card in found}

    assert number in ids(unit="v3-meat") & ids(site="vehicle-3") & ids(place="stored")
    assert number not in ids(unit="v3-veg") | ids(site="river-camp") | ids(place="gone")
    gone = {"person": "Thandi M.", "kind": "discarded", "note": "for the test"}
    client.post(f"{PREFIX}/batches/{number}/events", json=gone)
    assert number in ids(place="gone")
    assert number not in ids()
    kinds = [e["kind"] for e in client.get(f"{PREFIX}/batches/{number}/events").json()["items"]]
    assert kinds == ["loaded", "discarded"]


@pytest.mark.parametrize(
    "said",
    [
        {"kind": "moved", "unit": "v3-veg", "happened": "2030-01-01T00:00:00Z"},
        {"kind": "moved", "unit": "v3-veg", "happened": "2020-01-01T00:00:00Z"},
        {"kind": "moved", "unit": "nobody"},
        {"kind": "put_back"},
        {"kind": "corrected"},
        {"kind": "hold_closed", "probe_c": 3.0, "disposition": "kept", "reason": "no hold stands"},
    ],
)
def test_what_the_rules_forbid_of_a_batch_is_refused(client, openapi, said):
    response = client.post(f"{PREFIX}/batches/1/events", json={"person": "Thandi M.", **said})
    assert is_problem(openapi, response, 409)["code"] == "refused"


def test_a_unit_not_judged_yet_says_so(client, openapi):
    for part in ("", "/exposure", "/battery", "/runout"):
        response = client.get(f"{PREFIX}/units/camp-new{part}")
        assert is_problem(openapi, response, 404)["code"] == "not_assessed_yet"


def test_any_moment_ahead_may_be_asked_about(client, openapi):
    path = f"{PREFIX}/units/v3-meat/runout"
    plain = client.get(path).json()
    told = client.get(path, params={"until": iso_of(NOW_MS + 12 * HOUR_MS)}).json()
    assert told["lasts_until"][:-1] == plain["lasts_until"]
    assert told["lasts_until"][-1] == {
        "at": iso_of(NOW_MS + 12 * HOUR_MS),
        "name": "asked",
        "chance": pytest.approx(0.5),
    }
    for wrong in (iso_of(NOW_MS - HOUR_MS), iso_of(NOW_MS + 200 * HOUR_MS), "05:30", "2026-03-05T05:30:00"):
        is_problem(openapi, client.get(path, params={"until": wrong}), 422)


def test_a_wrong_method_is_a_problem_on_every_route(client, openapi):
    for path in openapi["paths"]:
        response = client.delete(filled(path))
        is_problem(openapi, response, 405)
        assert response.headers["allow"]


def test_a_body_that_does_not_fit_is_a_problem_naming_the_field(client, openapi):
    for path, good in GOOD_BODIES.items():
        for bad in ({}, {**good, "more": 1}, [], {**good, "person": ""}):
            body = is_problem(openapi, client.post(filled(path), json=bad), 422)
            assert body["errors"], (path, bad)
        response = client.post(filled(path), content=b"{", headers={"content-type": "application/json"})
        is_problem(openapi, response, 422)


def test_a_probe_reading_must_be_a_number_a_probe_can_show(client, openapi):
    good = GOOD_BODIES["/api/v1/releases"]
    for value in ("NaN", "1e999", "200", "-100", '"warm"', "null"):
        text = json.dumps({**good, "probe_c": "?"}).replace('"?"', value)
        response = client.post(
            f"{PREFIX}/releases", content=text, headers={"content-type": "application/json"}
        )
        is_problem(openapi, response, 422)


@pytest.mark.parametrize(
    "query",
    [
        "from=yesterday",
        "from=2026-03-04T10:00:00",
        "from=2026-03-04T12:00:00Z&to=2026-03-04T12:00:00Z",
        "from=2026-03-04T13:00:00Z&to=2026-03-04T12:00:00Z",
        "from=2020-03-04T13:00:00Z&to=2026-03-04T12:00:00Z",
        "max_points=0",
        "max_points=1000000",
        "channels=cabinet_c,nonsense",
        "channels=lat_deg",
        "channels=",
    ],
)
def test_a_question_for_samples_that_does_not_fit_is_a_problem(client, openapi, query):
    is_problem(openapi, client.get(f"{PREFIX}/units/v3-meat/samples?{query}"), 422)


def test_samples_include_the_start_and_exclude_the_end(client):
    start, end = NOW_MS - 2 * HOUR_MS, NOW_MS - HOUR_MS

    def ask(from_ms, to_ms):
        query = {"from": iso_of(from_ms), "to": iso_of(to_ms), "channels": "cabinet_c", "max_points": 60}
        return client.get(f"{PREFIX}/units/v3-meat/samples", params=query).json()

    found = ask(start, end)
    bins = found["channels"]["cabinet_c"]
    assert found["bin_s"] == 60
    assert bins["t_ms"][0] == start
    assert bins["count"] == [1] * 60
    assert sum(ask(start, end + 1)["channels"]["cabinet_c"]["count"]) == 61
    assert sum(ask(start + 1, end)["channels"]["cabinet_c"]["count"]) == 59


def test_bins_without_a_reading_are_null(client):
    query = {"from": iso_of(NOW_MS - 24 * HOUR_MS), "to": iso_of(NOW_MS), "max_points": 48}
    bins = client.get(f"{PREFIX}/units/v3-meat/samples", params=query).json()["channels"]["battery_v"]
    assert 0 in bins["count"]
    for low, high, count in zip(bins["min"], bins["max"], bins["count"], strict=True):
        assert (low is None) == (high is None) == (count == 0)


def test_what_the_rules_forbid_is_refused_with_the_reason(client, openapi):
    good = GOOD_BODIES["/api/v1/releases"]
    body = is_problem(openapi, client.post(f"{PREFIX}/releases", json={**good, "person": "Nobody"}), 409)
    assert body["code"] == "refused"
    assert "Nobody" in body["detail"]


def test_after_discard_advised_only_discarding_closes_the_hold(client, openapi, larder):
    worst = card("v3-veg", standing=Verdict.DISCARD_ADVISED, computed=Verdict.DISCARD_ADVISED)
    larder.records.write_card(worst, analysis(worst))
    body = {**GOOD_BODIES["/api/v1/releases"], "unit": "v3-veg"}
    for disposition in ("kept", "cooked_at_once", "refrozen", "moved"):
        answer = client.post(f"{PREFIX}/releases", json={**body, "disposition": disposition})
        is_problem(openapi, answer, 409)
    assert client.post(f"{PREFIX}/releases", json=body).status_code == 201


@pytest.mark.parametrize(
    "headers",
    [
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"origin": "http://elsewhere.lan"},
        {"origin": "null"},
    ],
)
def test_a_change_asked_for_by_another_site_is_refused(client, openapi, larder, headers):
    before = len(larder.records.statements("v3-meat", 500))
    for path, body in GOOD_BODIES.items():
        answer = client.post(filled(path), json=body, headers=headers)
        assert is_problem(openapi, answer, 403)["code"] == "other_site"
    form = client.post("/units/v3-meat/state", data={"state": "empty"}, headers=headers)
    assert form.status_code == 403
    assert len(larder.records.statements("v3-meat", 500)) == before


def test_an_address_that_does_not_exist_is_a_problem(client, openapi):
    for path in (f"{PREFIX}/nope", f"{PREFIX}/units/v3-meat/nope", "/nope", "/static/nope.js"):
        is_problem(openapi, client.get(path), 404)


def test_people_get_problems_as_a_page(client):
    answer = client.get("/nope", headers={"accept": "text/html"})
    assert answer.status_code == 404
    assert answer.headers["content-type"].startswith("text/html")
    assert "/camp" in answer.text


def test_every_answer_carries_the_headers_that_keep_it_to_itself(client):
    for path in ("/", "/camp/vehicle-3", "/nope", f"{PREFIX}/units", f"{PREFIX}/nope"):
        headers = client.get(path).headers
        assert "default-src 'self'" in headers["content-security-policy"], path
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-cache"


def test_files_named_by_content_are_kept_for_ever(client):
    page = client.get("/fleet").text
    address = re.search(r'src="(/static/live\.[0-9a-f]{10}\.js)"', page)[1]
    answer = client.get(address)
    assert answer.headers["cache-control"] == "public, max-age=31536000, immutable"
    assert answer.headers["content-encoding"] == "gzip"


def test_a_change_reaches_an_open_stream(client, larder):
    fresh = card("camp-fish", latest={"cabinet_c": -20.5})
    with client.stream("GET", f"{PREFIX}/live", headers={"accept-encoding": "gzip"}) as stream:
        assert stream.headers["content-type"].startswith("text/event-stream")
        assert "content-encoding" not in stream.headers
        larder.records.write_card(fresh, analysis(fresh))
        number = larder.records.change_no()
        event = {}
        for line in stream.iter_lines():
            name, _, value = line.partition(": ")
            if name in {"id", "data", "event"}:
                event[name] = value
            if not line and "data" in event:
                break
    assert "event" not in event, "a named event would not reach onmessage"
    assert int(event["id"]) == number
    assert [unit["unit"] for unit in json.loads(event["data"])["units"]] == ["camp-fish"]
    with client.stream("GET", f"{PREFIX}/live", headers={"last-event-id": str(number - 1)}) as stream:
        lines = stream.iter_lines()
        assert next(line for line in lines if line.startswith("id:")) == f"id: {number}"


class Broken:
    """Something that fails whatever it is asked."""

    def __init__(self, error):
        self._error = error

    def __getattr__(self, name):
        def fail(*_args, **_more):
            raise self._error

        return fail


@pytest.mark.parametrize(
    ("error", "status"),
    [(sqlite3.OperationalError("disk I/O error"), 503), (ZeroDivisionError("secret detail"), 500)],
)
def test_a_read_that_fails_is_a_problem_and_keeps_its_cause_to_the_log(openapi, error, status, tmp_path):
    broken = Broken(error)
    fragile = type("Fragile", (), {"records": broken, "reader": broken, "box": Box(tmp_path, reserve_mb=1)})()
    with (
        capture_logs() as logs,
        serving(app_of(fragile)) as base,
        httpx.Client(base_url=base, timeout=10) as client,
    ):
        for method, path, _ in operations(openapi):
            if path.endswith("/live"):
                continue
            response = client.request(method, filled(path), json=GOOD_BODIES.get(path))
            body = is_problem(openapi, response, status)
            assert str(error) not in response.text
            assert body["detail"]
            assert "content-security-policy" in response.headers
    expected = "api.read.failed" if status == 503 else "api.request.failed"
    assert {entry["event"] for entry in logs} == {expected}
