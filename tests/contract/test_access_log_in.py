"""Checklist rows 24 and 26: cookies, throttling, no default account, sessions that begin anew and end."""

import sqlite3

import pytest

from services.api.accountdesk import TRIES_A_NAME, TRIES_AN_ADDRESS, WINDOW_MS
from services.records.entrydesk import LIFE_MS
from services.records.secretwords import digest
from tests.helpers.guarded import CREW, HERE, PASSWORD, SECURE, Guarded
from tests.helpers.larder import NOW_MS, open_larder

NEW = "eleven borrowed lanterns"
JONAS = CREW["cook"][0]


@pytest.fixture
def anyio_backend():
    return "asyncio"


@pytest.fixture
def larder(tmp_path):
    opened = open_larder(tmp_path)
    yield opened
    opened.close()


@pytest.fixture
def guarded(larder):
    return Guarded(larder)


def cookie_of(answer):
    return next(line for line in answer.headers.get_list("set-cookie") if "bushlarder=" in line)


async def try_in(browser, name=JONAS, typed=PASSWORD):
    return await browser.post("/login", data={"name": name, "password": typed})


@pytest.mark.anyio
async def test_24_over_tls_the_cookie_is_bound_to_the_host_and_out_of_reach(guarded):
    async with guarded.browser(SECURE) as browser:
        cookie = cookie_of(await try_in(browser))
        parts = {part.strip().lower() for part in cookie.split(";")[1:]}
        assert cookie.startswith("__Host-bushlarder=")
        assert {"secure", "httponly", "samesite=lax", "path=/"} <= parts
        assert not any(part.startswith("domain") for part in parts)
        chosen = await browser.get("/camp")
        assert chosen.status_code == 200


@pytest.mark.anyio
async def test_24_on_this_machine_without_tls_the_cookie_has_a_plain_name_and_elsewhere_there_is_none(
    guarded,
):
    async with guarded.browser(HERE) as browser:
        cookie = cookie_of(await try_in(browser))
        assert cookie.startswith("bushlarder=")
        assert "httponly" in cookie.lower()
        assert "samesite=lax" in cookie.lower()
    async with guarded.browser("http://lodge.example") as browser:
        refused = await try_in(browser)
        assert (refused.status_code, "https" in refused.text) == (403, True)
        assert "set-cookie" not in refused.headers


@pytest.mark.anyio
async def test_24_a_chosen_name_is_kept_as_carefully_as_a_session(guarded):
    secret = guarded.records.enrol(
        guarded.records.device_code("Kitchen phone", frozenset({"river-camp"}), who="Ada B.", now_ms=NOW_MS),
        now_ms=NOW_MS,
    )
    async with guarded.browser(SECURE, cookie=f"__Host-bushlarder={secret}") as phone:
        said = await phone.post(
            "/units/camp-milk/state", data={"person": JONAS, "state": "off", "back": "/camp/river-camp"}
        )
        assert said.status_code == 303
        (kept,) = said.headers.get_list("set-cookie")
    assert kept.startswith("__Host-who=")
    assert "Secure" in kept
    assert "HttpOnly" in kept


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"sec-fetch-site": "same-site"}, 403),
        ({"sec-fetch-site": "same-origin"}, 303),
        ({"sec-fetch-site": None, "origin": "http://other.example"}, 403),
        ({"sec-fetch-site": None, "origin": "null"}, 403),
        ({"sec-fetch-site": None, "origin": HERE}, 303),
        ({"sec-fetch-site": None}, 403),
    ],
)
async def test_24_another_site_cannot_change_anything(guarded, headers, status):
    async with guarded.come_in("cook") as browser:
        for name, value in headers.items():
            browser.headers.pop(name, None)
            if value is not None:
                browser.headers[name] = value
        body = {"person": JONAS, "state": "off", "back": "/camp/river-camp"}
        assert (await browser.post("/units/camp-milk/state", data=body)).status_code == status
    assert len(guarded.records.statements("camp-milk")) == (1 if status == 303 else 0)


@pytest.mark.anyio
async def test_24_a_form_of_another_site_cannot_log_anybody_in(guarded):
    async with guarded.browser() as browser:
        browser.headers["sec-fetch-site"] = "cross-site"
        assert (await try_in(browser)).status_code == 403


@pytest.mark.anyio
async def test_26_wrong_passwords_are_slowed_down_and_right_ones_then_too(guarded):
    async with guarded.browser() as browser:
        for _ in range(TRIES_A_NAME):
            answer = await try_in(browser, typed="not this one")
            assert answer.status_code == 401
        blocked = await try_in(browser, name=" jonas  k. ")
        assert blocked.status_code == 429
        assert int(blocked.headers["retry-after"]) == WINDOW_MS // 1000
        assert "Wait 15 minutes" in blocked.text
        assert (await try_in(browser, name="Thandi M.")).status_code == 303, "others still come in"
        guarded.now_ms += WINDOW_MS + 1
        assert (await try_in(browser)).status_code == 303


@pytest.mark.anyio
async def test_26_one_address_that_tries_many_names_is_slowed_down(guarded):
    async with guarded.browser() as browser:
        for index in range(TRIES_AN_ADDRESS):
            assert (await try_in(browser, name=f"guess {index}")).status_code == 401
        assert (await try_in(browser)).status_code == 429
        code = await browser.post("/welcome", data={"code": "AAAA-BBBB-CCCC", "password": NEW})
        assert code.status_code == 429


@pytest.mark.anyio
async def test_26_codes_are_slowed_down_as_passwords_are(guarded):
    async with guarded.browser() as browser:
        for _ in range(TRIES_A_NAME):
            answer = await browser.post("/welcome", data={"code": "AAAA-BBBB-CCCC", "password": NEW})
            assert answer.status_code == 401
        code = guarded.records.invite("Eve N.", "cook", None, who="Ada B.", now_ms=NOW_MS)
        assert (await browser.post("/welcome", data={"code": code, "password": NEW})).status_code == 429


@pytest.mark.anyio
async def test_26_a_wrong_name_and_a_wrong_password_are_not_told_apart(guarded):
    guarded.records.invite("Nobody Yet", "cook", None, who="Ada B.", now_ms=NOW_MS)
    async with guarded.browser() as browser:
        answers = [await try_in(browser, name=n, typed="wrong one") for n in (JONAS, "No One", "Nobody Yet")]
        texts = {
            answer.text.replace(n, "")
            for answer, n in zip(answers, (JONAS, "No One", "Nobody Yet"), strict=True)
        }
        assert len(texts) == 1
        assert {answer.status_code for answer in answers} == {401}


@pytest.mark.anyio
async def test_26_there_is_no_account_until_the_code_of_the_terminal_makes_one(larder):
    guarded = Guarded(larder, crew=False)
    async with guarded.browser() as browser:
        for path in ("/", "/fleet", "/camp", "/people", "/units/camp-milk"):
            assert (await browser.get(path)).headers["location"] == "/welcome"
        assert "Nobody has an account here yet" in (await browser.get("/welcome")).text
        for name in ("admin", "administrator", "root", JONAS):
            for password in ("", "admin", "password", "bushlarder"):
                answer = await browser.post("/login", data={"name": name, "password": password or "x"})
                assert answer.status_code in {401, 429}
        guarded.now_ms += WINDOW_MS + 1
        stale = guarded.records.first_code(now_ms=guarded.now_ms)
        code = guarded.records.first_code(now_ms=guarded.now_ms)
        new = {"name": "Ada B.", "password": NEW}
        assert (await browser.post("/welcome", data={"code": stale, **new})).status_code == 401
        made = await browser.post("/welcome", data={"code": code.lower().replace("-", " "), **new})
        assert (made.status_code, made.headers["location"]) == (303, "/people")
        assert (await browser.get("/people")).status_code == 200
        again = await browser.post("/welcome", data={"code": code, "name": "Eve", "password": NEW})
        assert again.status_code == 401, "a code works once"


@pytest.mark.anyio
async def test_26_a_code_that_is_too_old_does_not_hold(guarded):
    code = guarded.records.invite("Eve N.", "cook", None, who="Ada B.", now_ms=NOW_MS)
    guarded.now_ms += 72 * 3_600_000
    async with guarded.browser() as browser:
        assert (await browser.post("/welcome", data={"code": code, "password": NEW})).status_code == 401


@pytest.mark.anyio
@pytest.mark.parametrize(
    "password", ["short", "password123", "1234567890", "aaaaaaaaaaaa", "x jonas k. x", "y" * 201]
)
async def test_26_a_password_that_is_guessed_first_is_refused_in_words(guarded, password):
    code = guarded.records.invite(JONAS, "cook", None, who="Ada B.", now_ms=NOW_MS)
    async with guarded.browser() as browser:
        answer = await browser.post("/welcome", data={"code": code, "password": password})
        assert answer.status_code in {409, 422}
        assert "assword" in answer.text
        assert (await browser.post("/welcome", data={"code": code, "password": NEW})).status_code == 303


@pytest.mark.anyio
async def test_26_a_session_begins_anew_at_every_log_in_and_the_old_one_ends(guarded):
    async with guarded.come_in("cook") as browser:
        first = browser.cookies["bushlarder"]
        assert (await try_in(browser)).status_code == 303
        second = browser.cookies["bushlarder"]
        assert second != first
        assert (await browser.get("/account")).status_code == 200
        async with guarded.browser(cookie=f"bushlarder={first}") as old:
            assert (await old.get("/account")).status_code == 303


@pytest.mark.anyio
async def test_26_a_session_handed_to_a_browser_beforehand_is_worth_nothing(guarded):
    async with guarded.browser(cookie="bushlarder=planted-by-somebody") as browser:
        assert (await browser.get("/account")).status_code == 303
        given = cookie_of(await try_in(browser)).split(";")[0].split("=", 1)[1]
        assert given != "planted-by-somebody"
        assert len(given) >= 43, "256 bits"


@pytest.mark.anyio
async def test_26_logging_out_shutting_and_time_end_a_session(guarded):
    async with guarded.come_in("cook") as browser:
        secret = browser.cookies["bushlarder"]
        out = await browser.post("/logout")
        assert (out.status_code, out.headers["location"]) == (303, "/login")
        async with guarded.browser(cookie=f"bushlarder={secret}") as copy:
            assert (await copy.get("/account")).status_code == 303
    async with guarded.come_in("cook") as browser, guarded.come_in("administrator") as admin:
        number = guarded.account("cook").no
        assert (await admin.post(f"/people/{number}/disable")).status_code == 303
        assert (await browser.get("/account")).status_code == 303
        assert (await try_in(browser)).status_code == 401
        assert JONAS not in {person.name for person in guarded.records.people()}
    async with guarded.come_in("workshop") as browser:
        guarded.now_ms += LIFE_MS["workshop"]
        assert (await browser.get("/account")).status_code == 303


@pytest.mark.anyio
async def test_26_a_changed_password_ends_every_other_session(guarded):
    async with guarded.come_in("cook") as here, guarded.come_in("cook") as there:
        wrong = await here.post("/account/password", data={"old": "not this one", "new": NEW})
        assert (wrong.status_code, "present password" in wrong.text) == (401, True)
        assert (await here.post("/account/password", data={"old": PASSWORD, "new": NEW})).status_code == 303
        assert (await here.get("/account")).status_code == 200
        assert (await there.get("/account")).status_code == 303
        assert (await try_in(there)).status_code == 401
        assert (await try_in(there, typed=NEW)).status_code == 303
        assert "last used" in (await here.get("/account")).text
        assert (await here.post("/account/others")).status_code == 303
        assert (await there.get("/account")).status_code == 303
        assert (await here.get("/account")).status_code == 200


@pytest.mark.anyio
async def test_26_the_last_administrator_cannot_be_shut_out(guarded):
    async with guarded.come_in("administrator") as browser:
        number = guarded.account("administrator").no
        for path, body in (
            (f"/people/{number}/disable", {}),
            (f"/people/{number}/change", {"role": "cook", "everywhere": "yes"}),
        ):
            answer = await browser.post(path, data=body)
            assert (answer.status_code, "Nobody could let people in" in answer.text) == (409, True)
        assert (await browser.get("/people")).status_code == 200


@pytest.mark.anyio
async def test_no_secret_is_kept_or_shown_where_it_could_be_read_again(guarded, larder, tmp_path):
    async with guarded.come_in("administrator") as browser:
        session = browser.cookies["bushlarder"]
        shown = await browser.post(
            "/people/token", data={"label": "display", "role": "cook", "everywhere": "yes"}
        )
        assert shown.headers["cache-control"] == "no-store"
        token = shown.text.split('<p class="w">')[1].split("</p>")[0]
        code = guarded.records.invite("Eve N.", "cook", None, who="Ada B.", now_ms=NOW_MS)
        assert token not in (await browser.get("/people")).text
    larder.records.close()
    everything = b"".join(path.read_bytes() for path in tmp_path.glob("records.db*"))
    for secret in (session, token, code, PASSWORD):
        assert secret.encode() not in everything
    assert digest(session).encode() in everything
    with sqlite3.connect(tmp_path / "records.db") as database:
        hashes = [
            row[0] for row in database.execute("SELECT password FROM accounts WHERE password IS NOT NULL")
        ]
    database.close()
    assert len(hashes) == len(CREW)
    assert all(kept.startswith("$argon2id$") for kept in hashes)
    assert len(set(hashes)) == len(hashes), "each with a salt of its own"
