"""Checklist row 27, and who may do what: every route of the application, for every role."""

import re
from collections.abc import Iterator

import pytest

from services.api.access import EVERYONE, HANDS, KITCHEN, ROLES, TABLE, Asker, entry_of, may
from tests.helpers.guarded import CREW, Guarded
from tests.helpers.larder import open_larder

CHANGING = {"POST", "PUT", "PATCH", "DELETE"}
OUTSIDE = frozenset(
    {
        *(
            "/login",
            "/login/demo",
            "/logout",
            "/welcome",
            "/welcome/device",
            "/health",
            "/theme",
            "/language",
        ),
        *("/trust", "/trust/authority.crt", "/trust/authority.pem"),
        "/t/{secret}",  # whoever holds the link in a message may read and take that one notice
    }
)
"""All that answers before a log-in, besides the scripts and styles."""
UNASKED = frozenset({"/logout", "/login", "/login/demo", "/account/others", "/static/{name:path}"})
"""Would end the session in which the others are asked; they have tests of their own."""
BODIES = {
    "/api/v1/units/{unit}/state": {"person": "P", "state": "in_use"},
    "/api/v1/commands": {"unit": "camp-milk", "person": "P", "command": "status"},
}


@pytest.fixture(scope="module")
def guarded(tmp_path_factory):
    larder = open_larder(tmp_path_factory.mktemp("larder"))
    yield Guarded(larder)
    larder.close()


def routes_of(routes) -> Iterator[tuple[str, str]]:
    """Yield method and template of every route, of included routers too."""
    for route in routes:
        if hasattr(route, "original_router"):
            yield from routes_of(route.original_router.routes)
        else:
            yield from ((method, route.path) for method in route.methods)


def filled(template: str) -> str:
    """Return an address of a cabinet, place or batch that there is not: 404 is cheap, and not 403."""
    known = {"unit": "no-such-one", "site": "nowhere", "batch": "999", "number": "999", "name": "x.js"}
    return re.sub(r"\{(\w+)(?::path)?\}", lambda found: known.get(found[1], "nothing"), template)


def test_every_route_has_a_line_in_the_table_that_fits_it_first(guarded):
    found = set(routes_of(guarded.app.routes))
    assert len(found) > 60
    missing = {(method, path) for method, path in found if entry_of(method, filled(path)) is None}
    assert missing == set()
    shadowed = {
        (method, path, entry_of(method, filled(path)).path)
        for method, path in found
        if entry_of(method, filled(path)).path != path
    }
    assert shadowed == set()


def test_the_table_has_no_line_for_what_is_not_there(guarded):
    found = set(routes_of(guarded.app.routes))
    lines = {(method, entry.path) for entry in TABLE for method in entry.methods - {"HEAD"}}
    assert lines - found == set()


def test_what_answers_before_a_log_in_is_this_and_no_more():
    public = {entry.path for entry in TABLE if entry.public}
    assert public == OUTSIDE | {"/static/{name:path}"}


def test_an_inspector_changes_nothing_but_their_own_password():
    changing = [entry for entry in TABLE if entry.methods & CHANGING and not entry.public]
    inspector = Asker(kind="person", name="Ines R.", role="inspector", sites=None)
    allowed = {entry.path for entry in changing if may(inspector, entry)}
    assert allowed == {f"/account/{what}" for what in ("password", "pin", "reading", "others")}


def test_food_is_decided_by_those_who_deal_with_it():
    for method, path in (("POST", "/api/v1/releases"), ("POST", "/batches/7/say")):
        assert entry_of(method, path).roles == KITCHEN
    assert "workshop" not in KITCHEN
    assert {"inspector"} == EVERYONE - HANDS


def test_only_a_person_who_is_manager_sees_positions():
    seeing = {
        (kind, role)
        for kind in ("person", "device", "machine")
        for role in ROLES
        if Asker(kind=kind, name="x", role=role, sites=None).sees_positions
    }
    assert seeing == {("person", "manager")}
    assert entry_of("GET", "/map").roles == {"manager", "administrator"}


def test_what_is_about_the_whole_house_is_not_for_somebody_who_sees_one_place():
    scoped = Asker(kind="person", name="x", role="administrator", sites=frozenset({"river-camp"}))
    whole = Asker(kind="person", name="x", role="administrator", sites=None)
    for path in ("/people", "/metrics", "/api/v1/waiting"):
        assert not may(scoped, entry_of("GET", path))
        assert may(whole, entry_of("GET", path))


@pytest.mark.anyio
async def test_every_route_answers_each_role_as_the_table_says(guarded):
    """Two passes over the real application: what is not allowed is 403, and nothing else is."""
    found = sorted(set(routes_of(guarded.app.routes)) - {("GET", "/api/v1/live")})
    for role in CREW:
        asker = Asker(kind="person", name=CREW[role][0], role=role, sites=CREW[role][1])
        async with guarded.come_in(role, accept="application/json") as browser:
            for method, path in found:
                if path in UNASKED:
                    continue
                body = BODIES.get(path, {}) if method == "POST" else None
                answer = await browser.request(method, filled(path), json=body)
                refused = answer.status_code == 403
                allowed = may(asker, entry_of(method, filled(path)))
                assert refused != allowed, (role, method, path, answer.text[:300])
                if refused and method != "HEAD":
                    assert answer.json()["code"] == "not_allowed"
                    assert role in answer.json()["detail"]


@pytest.mark.anyio
async def test_without_a_log_in_no_route_gives_anything(guarded):
    async with guarded.browser(accept="application/json") as browser:
        for method, path in sorted(set(routes_of(guarded.app.routes))):
            if path in OUTSIDE or path.startswith("/static"):
                continue
            answer = await browser.request(method, filled(path), json={} if method == "POST" else None)
            assert answer.status_code == 401, (method, path, answer.text[:200])
            assert answer.headers["www-authenticate"].startswith("Bearer") or method == "HEAD"
    async with guarded.browser() as browser:
        answer = await browser.get("/units/camp-milk?span=3d")
        assert (answer.status_code, answer.headers["location"]) == (303, "/login?next=/units/camp-milk")


@pytest.mark.anyio
async def test_what_has_no_line_in_the_table_is_not_reached(guarded):
    reached = []
    guarded.app.router.add_route("/forgotten", reached.append, methods=["GET"])
    async with guarded.come_in("administrator", accept="application/json") as browser:
        assert (await browser.get("/forgotten")).status_code == 404
    assert reached == []
    guarded.app.router.routes.pop()


@pytest.fixture
def anyio_backend():
    return "asyncio"
