"""Checklist row 27 for every line of the table: nobody sees or changes what stands at another place.

Each route that a role may use is asked twice with the same words: by somebody of that role who sees the
place the words are about, and before that by one who sees another place only. What is sent is worked out from
the routes themselves, so a new route is asked too, and one that nobody can be got to answer fails.
"""

import re
from contextlib import AsyncExitStack
from dataclasses import dataclass, replace

import httpx
import pytest
from fastapi.routing import APIRoute

from services.analytics.planning.planner import plan
from services.api.access import Asker, entry_of, may
from services.api.passwords import Passwords
from services.domain import JobOpened, NoticeChange, RunTestBegun, WaySaid
from tests.helpers.asking import ELSEWHERE, OTHER, THERE, UNIT, Ask, is_form, requests_of, routes, words_in
from tests.helpers.every_page import furnished
from tests.helpers.guarded import CHEAP, HERE, PASSWORD, Guarded
from tests.helpers.larder import NOW_MS
from tests.helpers.notices import silence

NAMES = ("Meat chest", "Salad drawer", "Vehicle 3", "Bush stew")
"""What stands on pages of the place, and in no request."""
ENDLESS = frozenset({"/api/v1/live"})
"""Has a test of its own."""
PAPER = re.compile(r"\.pdf$")
"""Takes seconds to lay out; whether it may be seen is decided before."""
DONE = frozenset({200, 201, 202, 303})
NOT_THERE = "There is no"
ROLES = ("cook", "manager")
"""A manager may use whatever anybody of one place may."""


@dataclass
class House:
    """A furnished house, and what in it stands at the place that one of two people does not see."""

    guarded: Guarded
    numbers: dict[str, int]

    def come_in(self, role: str, site: str) -> str:
        """Give somebody an account for one place; return the name."""
        records, name = self.guarded.records, f"{role.title()} of {site}"
        if name not in {account.name for account in records.accounts()}:
            code = records.invite(name, role, frozenset({site}), who="Ada B.", now_ms=NOW_MS)
            records.use_code(code, name="", hashed=Passwords(CHEAP).hash(PASSWORD), now_ms=NOW_MS)
        return name

    def browser_of(self, role: str, site: str) -> httpx.AsyncClient:
        """Return a browser in which somebody of one place has logged in."""
        records, name = self.guarded.records, self.come_in(role, site)
        account = next(each for each in records.accounts() if each.name == name)
        secret = records.begin_session(account.no, now_ms=NOW_MS)
        return self.guarded.browser(HERE, accept="text/html,application/json", cookie=f"bushlarder={secret}")


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    larder, app = furnished(tmp_path_factory.mktemp("scope"))
    records, who = larder.records, "Thandi M."
    guarded = Guarded(larder)
    guarded.app.state.planner = plan
    for name in ("map_room", "food_model", "day_counts", "inspectors_log"):
        setattr(guarded.app.state, name, getattr(app.state, name))
    told = silence(cause_key=f"unit:{UNIT}:cut_out", unit=UNIT, site=THERE, units=(UNIT,))
    records.write_notices([NoticeChange("raised", told.cause_key, told)], [], now_ms=NOW_MS)
    standing = {notice.cause_key: notice.id for notice in records.notices(now_ms=NOW_MS)}
    asked = JobOpened(person=who, unit=UNIT, work="wiring", reason="smells warm")
    begun = RunTestBegun(person=who, unit=UNIT, kind="run")
    numbers = {
        "notices": standing[told.cause_key],
        "jobs": records.open_job(asked, now_ms=NOW_MS),
        "batches": 6,
    }
    numbers["runtests"] = numbers["tests"] = records.begin_run_test(begun, now_ms=NOW_MS)
    found = House(guarded, numbers)
    person = found.come_in("manager", THERE)
    way = WaySaid(who=person, person=person, kind="mail", target="office@camp.example")
    numbers["ways"] = records.say_way(way, now_ms=NOW_MS)
    yield found
    larder.close()


def filled(template: str, house: House) -> str:
    """Return an address of what stands at the place."""

    def found(match: re.Match[str]) -> str:
        before = template[: match.start()].rstrip("/").rpartition("/")[2]
        known = {"unit": UNIT, "site": THERE, "batch": house.numbers["batches"], "way": house.numbers["ways"]}
        return str(known[match[1]] if match[1] in known else house.numbers[before])

    return re.sub(r"\{(\w+)\}", found, template)


def routes_of(house: House, *, about: bool) -> list[APIRoute]:
    """Return what a manager of one place may use: about something there, or about all that is seen."""
    return [
        route
        for route in routes(house.guarded.app.routes)
        if route.path not in ENDLESS
        and ":path" not in route.path
        and allowed("manager", route)
        and is_about(route) == about
    ]


def is_about(route: APIRoute) -> bool:
    return "{" in route.path or (method_of(route) == "POST" and bool({"unit", "site"} & set(words_in(route))))


@pytest.fixture
def anyio_backend():
    return "asyncio"


def allowed(role: str, route: APIRoute) -> bool:
    """Return whether somebody of that role, of one place, may use a route."""
    asker = Asker(kind="person", name="x", role=role, sites=frozenset({ELSEWHERE}))
    entry = entry_of(method_of(route), re.sub(r"\{(\w+)(:path)?\}", "1", route.path))
    return entry is not None and not entry.public and may(asker, entry)


def method_of(route: APIRoute) -> str:
    return next(iter(route.methods - {"HEAD"}))


def said_in(answer: httpx.Response) -> str:
    """Return the words of a refusal, of a page or a program."""
    found = re.search(r'role="alert">([^<]+)<|<h1>([^<]+)</h1><p[^>]*>([^<]*)', answer.text)
    return answer.text[:300] if found is None else " ".join(part for part in found.groups() if part)


async def refused(house: House, outside: httpx.AsyncClient, ask: Ask) -> bool:
    """Return whether nothing is told, nothing written, and what is asked about is said not to be there."""
    before = house.guarded.records.chain_head()
    answer = await ask.of(outside)
    assert answer.status_code in {404, 409, 422}, (ask, answer.status_code, answer.text[:300])
    assert not [word for word in NAMES if word in answer.text], ask
    assert house.guarded.records.chain_head() == before, ask
    return answer.status_code == 404 or (answer.status_code == 409 and NOT_THERE in answer.text)


@pytest.mark.anyio
async def test_27_what_stands_at_another_place_is_not_there_and_cannot_be_changed(house):
    found = routes_of(house, about=True)
    assert len(found) > 60
    unanswered = []
    async with AsyncExitStack() as stack:
        inside = await stack.enter_async_context(house.browser_of("manager", THERE))
        outside = {role: await stack.enter_async_context(house.browser_of(role, ELSEWHERE)) for role in ROLES}
        for route in found:
            path = filled(route.path, house)
            names = {role: f"{role.title()} of {ELSEWHERE}" for role in ROLES if allowed(role, route)}
            asks = zip(*(requests_of(route, path, name) for name in names.values()), strict=True)
            for ask, theirs in zip(requests_of(route, path, f"Manager of {THERE}"), asks, strict=True):
                if "{" not in route.path and not {UNIT, THERE} & set(map(str, ask.body.values())):
                    continue
                gone = [await refused(house, outside[r], each) for r, each in zip(names, theirs, strict=True)]
                if PAPER.search(route.path) and all(gone):
                    break
                told = await ask.of(inside)
                assert all(gone) or told.status_code not in DONE, ask
                if all(gone) and told.status_code != 404 and NOT_THERE not in told.text:
                    break  # done, or refused for what it is: for somebody of the place it is there
            else:
                unanswered.append((method_of(route), route.path, told.status_code, said_in(told)))
    assert not unanswered, "\n".join(str(each) for each in unanswered)


ODD = ("", "\x00" + "x" * 300, "9" * 30)


@pytest.mark.anyio
async def test_no_form_of_the_pages_is_answered_with_a_fault(house):
    """The forms are in no published description; each field of each is filled with what nobody expects."""
    faults = []
    async with house.browser_of("manager", THERE) as inside:
        for route in [*routes_of(house, about=True), *routes_of(house, about=False)]:
            if "POST" not in route.methods or not is_form(route):
                continue
            plain = requests_of(route, filled(route.path, house), f"Manager of {THERE}")[0]
            for param in route.dependant.body_params:
                for odd in ODD:
                    ask = replace(plain, body={**plain.body, param.alias: odd})
                    answer = await ask.of(inside)
                    if answer.status_code >= 500:
                        faults.append((route.path, param.alias, odd, answer.text[:200]))
    assert faults == []


@pytest.mark.anyio
@pytest.mark.parametrize("role", ROLES)
async def test_27_no_list_and_no_question_tells_of_another_place(house, role):
    showing = set()
    async with house.browser_of(role, THERE) as inside, house.browser_of(role, ELSEWHERE) as outside:
        for route in routes_of(house, about=False):
            if not allowed(role, route):
                continue
            for ask in requests_of(route, route.path, "x"):
                answer = await ask.of(outside)
                assert answer.status_code < 500, ask
                told = [word for word in (*NAMES, UNIT, OTHER, THERE) if word in answer.text]
                echoed = [word for word in told if word in str(ask)]
                assert [word for word in told if word not in echoed] == [], (ask, told)
            if route.methods & {"GET"}:
                answer = await requests_of(route, route.path, "x")[0].of(inside)
                if any(word in answer.text for word in NAMES):
                    showing.add(route.path)
    assert len(showing) >= 8, "somebody who sees the place is told of it"
