"""How people are reached, over HTTP on real records: set up by an address alone, tested, answered by link."""

import html
import re
from contextlib import asynccontextmanager

import pytest

from dashboards.messagewords import MessageWords
from services.domain import NoticeChange, Way, WaySaid
from services.domain.telling import LINK
from services.notify.linking import LINK_LIFE_MS, with_link
from services.notify.telling import Telling
from services.timebase import HOUR_MS, MINUTE_MS
from tests.helpers.guarded import CREW, Guarded
from tests.helpers.larder import NOW_MS, open_larder
from tests.helpers.reach import BASE, hold

COOK = CREW["cook"][0]
MAIL = {"target": "jonas@example.org", "least": "medium", "language": "en", "digests": "yes"}


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    larder = open_larder(tmp_path_factory.mktemp("reach"))
    yield Guarded(larder)
    larder.close()


@pytest.fixture
def anyio_backend():
    return "asyncio"


def seen(page):
    bare = re.sub(r"<(style|script)\b.*?</\1>|<[^>]+>", " ", page, flags=re.DOTALL)
    return re.sub(r"\s+", " ", html.unescape(bare))


def ways_of(house, person):
    return [way for way in house.records.ways() if way.person == person]


@asynccontextmanager
async def own_way(house):
    """Yield a cook's browser and the way they gave; it is gone afterwards."""
    async with house.come_in("cook") as cook:
        answer = await cook.post("/reach/add", data={"person": COOK, **MAIL})
        assert answer.status_code == 303, answer.text
        (way,) = ways_of(house, COOK)
        yield cook, way
        if ways_of(house, COOK):
            house.records.drop_way(way.id, who=COOK, now_ms=house.now_ms)


@pytest.mark.anyio
async def test_an_address_is_all_it_takes_and_a_test_goes_out_at_once(house):
    async with own_way(house) as (cook, way):
        (test,) = [s.message for s in house.records.outbox(since_ms=0) if s.message.way == way.id]
        assert (test.about, test.target, test.not_after_ms) == (
            "test",
            MAIL["target"],
            NOW_MS + 10 * MINUTE_MS,
        )
        page = (await cook.get("/reach")).text
        assert "How to reach me" in seen(page)
        assert "Not proven yet: send a test." in seen(page)
        assert "Test, 17:05: Waiting" in seen(page)
        assert MAIL["target"] not in page
        assert "j…@example.org" in seen(page)
        house.records.out_done(test.key, NOW_MS)
        page = seen((await cook.get("/reach")).text)
        assert "It last worked 0 s ago." in page
        assert "Test, 17:05: Taken by the other side" in page


@pytest.mark.anyio
async def test_a_test_that_fails_says_why_and_what_was_lost_is_counted(house):
    async with own_way(house) as (cook, way):
        (key,) = [s.message.key for s in house.records.outbox(since_ms=0) if s.message.way == way.id]
        house.records.out_failed(key, "the mail server refused the password", now_ms=NOW_MS, again_ms=None)
        page = seen((await cook.get("/reach")).text)
        assert "Not delivered The mail server refused the password." in page
        assert "1 message was not delivered" in page
        assert "The mail server refused the password." in seen((await cook.get("/reach/messages")).text)


@pytest.mark.anyio
async def test_a_way_is_changed_without_typing_its_address_again_rests_and_goes(house):
    async with own_way(house) as (cook, way):
        form = {"person": COOK, "least": "high", "language": "sw", "quiet_from": "22:00", "quiet_to": "05:30"}
        assert (await cook.post(f"/reach/{way.id}/change", data=form)).status_code == 303
        (changed,) = ways_of(house, COOK)
        expected = way.model_dump() | {
            "least": "high", "language": "sw", "quiet_from_min": 22 * 60, "quiet_to_min": 330,
            "digests": False, "nothing_too": False,
        }  # fmt: skip
        assert changed == Way.model_validate(expected)
        assert "quiet from 22:00 to 05:30" in seen((await cook.get("/reach")).text)
        await cook.post(f"/reach/{way.id}/do", data={"person": COOK, "what": "off"})
        assert "resting: nothing is sent" in seen((await cook.get("/reach")).text)
        await cook.post(f"/reach/{way.id}/do", data={"person": COOK, "what": "remove"})
        assert ways_of(house, COOK) == []


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"target": "no address"}, "An address looks like name@example.org."),
        ({"quiet_from": "22:00"}, "Quiet hours have a beginning and an end."),
        ({"language": "xx"}, "There is no such language here."),
        ({"kind": "web", "target": "https://hooks.example/in"}, "set up by the office"),
        ({"person": "Ada B."}, "sign as yourself"),
    ],
)
async def test_what_does_not_fit_is_refused_in_words(house, fields, words):
    async with house.come_in("cook") as cook:
        answer = await cook.post("/reach/add", data={"person": COOK, **MAIL, **fields})
        assert answer.status_code == 409
        assert words in seen(answer.text)
        assert ways_of(house, COOK) == []


@pytest.mark.anyio
async def test_nobody_sees_or_changes_the_ways_of_others_but_the_office(house):
    async with own_way(house) as (_cook, way), house.come_in("workshop") as other:
        assert "example.org" not in (await other.get("/reach")).text
        me = CREW["workshop"][0]
        for what in ("test", "off", "remove"):
            form = {"person": me, "what": what}
            assert (await other.post(f"/reach/{way.id}/do", data=form)).status_code == 409
        await other.post("/reach/add", data={"person": me, "whose": COOK, **MAIL, "target": "x@example.org"})
        assert len(ways_of(house, COOK)) == 1
        house.records.drop_way(ways_of(house, me)[0].id, who=me, now_ms=house.now_ms)
        async with house.come_in("manager") as manager:
            page = seen((await manager.get("/reach")).text)
            assert "j…@example.org" in page
            assert f"never told: {CREW['administrator'][0]}" in page
        async with house.come_in("inspector") as inspector:
            assert (await inspector.get("/reach")).status_code == 403


@pytest.mark.anyio
async def test_the_office_sets_up_a_lamp_and_who_hears_next(house):
    me = CREW["manager"][0]
    async with house.come_in("manager") as manager:
        lamp = {"person": me, "kind": "lamp", "target": "camp-lamp", "site": "river-camp", "least": "high"}
        assert (await manager.post("/reach/add", data=lamp)).status_code == 303
        (way,) = [way for way in house.records.ways() if way.kind == "lamp"]
        (test,) = [s.message for s in house.records.outbox(since_ms=0) if s.message.way == way.id]
        assert test.data["pattern"] == "flash"
        form = {
            "person": me, "step": ["role:manager", "person:Ada B.", ""], "after": ["7", "5", ""],
            "watcher": "", "watch_from": "16:00", "watch_to": "05:00",
        }  # fmt: skip
        assert (await manager.post("/reach/places/river-camp", data=form)).status_code == 303
        page = seen((await manager.get("/reach/places/river-camp")).text)
        assert "Told first now: the night watch, by lamp or siren, until 05:00" in page
        assert "at once: cook: Jonas K. after 5 min: Ada B. after 7 min: manager: Thandi M." in page
        assert "after 17 min: everybody" in page
        assert f"Laid down 2026-03-04 17:05 by {me}." in page
        form["after"] = ["soon", "5", ""]
        assert (await manager.post("/reach/places/river-camp", data=form)).status_code == 409
    async with house.come_in("cook") as cook:
        assert (await cook.get("/reach/places/river-camp")).status_code == 200
        assert (await cook.get("/reach/places/vehicle-3")).status_code == 409
        assert (await cook.post("/reach/places/river-camp", data=form)).status_code == 403


@pytest.fixture
def told(house):
    """Yield a notice that was told to the cook, with the path of the link in it."""
    mail = {"who": COOK, "person": COOK, "kind": "mail", "target": "jonas@example.org", "digests": False}
    house.now_ms = NOW_MS
    way = house.records.say_way(WaySaid.model_validate(mail), now_ms=NOW_MS - HOUR_MS)
    telling = Telling(house.records, MessageWords(lambda _: ()), public_url=BASE)
    telling.step(NOW_MS)
    cause = hold(cause_key=f"unit:camp-fish:hold:{way}:{house.records.newest_notice_line()}")
    house.records.write_notices([NoticeChange("raised", cause.cause_key, cause)], (), now_ms=NOW_MS)
    telling.step(NOW_MS)
    mine = [s.message for s in house.records.outbox(since_ms=0) if s.message.way == way]
    message = max(mine, key=lambda each: each.notice)
    sent = with_link(message, house.records, base=BASE, now_ms=NOW_MS)
    yield message.notice, re.search(r"https://lodge\.example(/t/\S+)", sent.body)[1]
    house.records.drop_way(way, who=COOK, now_ms=NOW_MS)


@pytest.mark.anyio
async def test_looking_at_a_link_takes_nothing_and_its_button_takes_it_once(house, told):
    number, path = told
    async with house.browser() as anybody:
        for _ in range(2):
            page = await anybody.get(path)
            assert page.status_code == 200
            assert "I see to it" in page.text
            assert page.headers["cache-control"] == "no-store"
        assert house.records.notice(number, now_ms=NOW_MS).state == "new"
        assert "Thank you." in seen((await anybody.post(path)).text)
        notice = house.records.notice(number, now_ms=NOW_MS)
        assert (notice.taken_by, notice.lines[-1].signed) == (COOK, "link")
        again = await anybody.post(path)
        assert again.status_code == 409
        assert f"{COOK} has taken it already." in seen(again.text)
        assert "I see to it" not in (await anybody.get(path)).text
    async with house.come_in("manager") as manager:
        page = seen((await manager.get(f"/notices/{number}")).text)
        assert f"{COOK} (by a link sent to them) Taken." in page
        assert "On the radio: River camp, Fish freezer" in page


@pytest.mark.anyio
async def test_an_old_or_invented_link_answers_nothing(house, told):
    number, path = told
    async with house.browser() as anybody:
        assert (await anybody.get("/t/" + "a" * 22)).status_code == 404
        assert (await anybody.post("/t/" + "a" * 22)).status_code == 404
        house.now_ms = NOW_MS + LINK_LIFE_MS
        assert "This link is too old." in seen((await anybody.get(path)).text)
        assert (await anybody.post(path)).status_code == 409
    assert house.records.notice(number, now_ms=house.now_ms).state == "new"
    house.now_ms = NOW_MS


@pytest.mark.anyio
async def test_another_site_cannot_press_the_button(house, told):
    _number, path = told
    async with house.browser(**{"sec-fetch-site": "cross-site"}) as anybody:
        assert (await anybody.post(path)).status_code == 403


def test_no_secret_of_a_link_is_kept_anywhere(house, told):
    secret = told[1].removeprefix("/t/")
    with house.records.whole() as whole:
        kept = "\n".join(str(row) for table in whole.tables for row in table.rows)
    assert LINK in kept
    assert secret not in kept
    assert house.records.link(secret).person == COOK
