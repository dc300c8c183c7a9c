"""What somebody with bad intentions sends over a real socket: too much, too slowly, twice, or as code.

The rows of the security checklist that are about pages and records, and where their tests are; here, and

17  test_attacks.py: words of people and units on pages, in logs and in queries
21  test_attacks.py; tests/unit/services/ingest/test_commands.py: answers by correlation
23  test_access_live.py; tests/unit/deploy/test_coming_in.py: no pages in clear for others
24  test_access_log_in.py
25  test_access_live.py
26  test_access_log_in.py; test_attacks.py: what ended opens nothing
27  test_access_routes.py; test_access_places.py; test_access_scope.py: every line of the table
28  test_access_live.py; test_api_schema_fuzz.py; test_access_scope.py: forms without a fault of ours
29  test_records_suite.py; tests/integration/test_broker_security.py; test_deploy_files.py: containers

`test_every_row_has_its_tests` holds that the files are there and a test in them names the row.
"""

import contextlib
import json
import re
import socket
import subprocess
import sys
import time
from pathlib import Path

import httpx
import pytest

from deploy.impatient import Impatient
from services.domain import BatchNew
from tests.helpers.guarded import CREW, PASSWORD, Guarded
from tests.helpers.larder import NOW_MS, analysis, app_of, card, open_larder
from tests.helpers.web import serving

REPOSITORY = Path(__file__).parents[2]
HURRY_S = 1.0
ENOUGH_S = 60
SCRIPT = "<script>alert(1)</script>"
ATTRIBUTE = '"><img src=x onerror=alert(1)>'
TEMPLATE = "{{ 7 * 191 }}${7*191}"
QUERY = "x' OR '1'='1'; DROP TABLE statements; --"
WORDS = (SCRIPT, ATTRIBUTE, TEMPLATE, QUERY)


class Hurried(Impatient):
    """The same, so that a test need not wait."""

    head_s = HURRY_S


@pytest.fixture(scope="module")
def larder(tmp_path_factory):
    found = open_larder(tmp_path_factory.mktemp("larder"))
    yield found
    found.close()


@pytest.fixture(scope="module")
def base(larder):
    with serving(app_of(larder)) as found:
        yield found


@pytest.fixture(scope="module")
def hurried(larder):
    """Return where the same is served by a server that waits for a second only."""
    with serving(app_of(larder), http=Hurried) as found:
        yield found


@pytest.fixture(scope="module")
def client(base):
    with httpx.Client(base_url=base, timeout=30) as found:
        yield found


@pytest.fixture
def guarded(tmp_path):
    found = open_larder(tmp_path)
    yield Guarded(found)
    found.close()


@pytest.fixture
def anyio_backend():
    return "asyncio"


def raw(base):
    address = httpx.URL(base)
    found = socket.create_connection((address.host, address.port), timeout=ENOUGH_S)
    found.settimeout(ENOUGH_S)
    return found


def answered(connection):
    """Return everything until the other side hangs up."""
    found = b""
    with contextlib.suppress(ConnectionError):
        while piece := connection.recv(65536):
            found += piece
    return found


def healthy(base):
    """Return whether somebody else gets an answer; this one may be slow too while machines are busy."""
    for _ in range(20):
        with contextlib.suppress(httpx.TransportError):
            return httpx.get(f"{base}/api/v1/health", timeout=ENOUGH_S).status_code == 200
    return False


def test_every_row_has_its_tests():
    rows = re.findall(r"^(\d\d)  (.+)$", __doc__, re.MULTILINE)
    assert [int(row) for row, _ in rows] == [17, 21, *range(23, 30)]
    for row, files in rows:
        named = re.findall(r"[\w/]+\.py", files)
        found = [REPOSITORY / name if "/" in name else Path(__file__).with_name(name) for name in named]
        marks = [len(re.findall(rf"def test_{row}_", path.read_text(encoding="utf-8"))) for path in found]
        assert max(marks) > 0, (row, named)


# Too much.


def test_a_body_that_is_announced_too_large_is_refused_before_it_is_sent(base, client):
    with raw(base) as connection:
        connection.sendall(
            b"POST /api/v1/checks HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n"
            b"Content-Length: 5000000000\r\n\r\n"
        )
        answer = answered(connection)
    assert answer.startswith(b"HTTP/1.1 413"), answer[:200]
    assert b"application/problem+json" in answer
    assert client.get("/api/v1/health").status_code == 200


def test_a_body_in_endless_pieces_is_refused_once_it_is_too_large(base, client, larder):
    before = len(larder.records.statements("v3-meat", 500))
    piece = b"10000\r\n" + b" " * 0x10000 + b"\r\n"
    with raw(base) as connection:
        connection.sendall(
            b"POST /units/v3-meat/state HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n"
            b"Content-Type: application/x-www-form-urlencoded\r\n\r\n"
        )
        with contextlib.suppress(ConnectionError):
            for _ in range(40):
                connection.sendall(piece)
        answer = answered(connection)
    assert answer == b"" or answer.startswith(b"HTTP/1.1 413"), answer[:200]
    assert client.get("/api/v1/health").status_code == 200
    assert len(larder.records.statements("v3-meat", 500)) == before


def test_a_body_of_brackets_is_a_problem_and_not_a_fault(client):
    for body in (b"[" * 200_000, b'{"a":' * 100_000, b"\xff" * 1000, b"9" * 100_000, b'"' + b"\\u0000" * 9):
        answer = client.post("/api/v1/checks", content=body, headers={"content-type": "application/json"})
        assert answer.status_code in {400, 422}, (body[:10], answer.text[:200])
        assert answer.headers["content-type"] == "application/problem+json"


def test_a_head_that_is_too_large_is_refused(base, client):
    with raw(base) as connection:
        with contextlib.suppress(ConnectionError):
            connection.sendall(b"GET / HTTP/1.1\r\nHost: x\r\nX-Much: " + b"y" * 300_000 + b"\r\n\r\n")
        answer = answered(connection)
    assert answer == b"" or answer.startswith(b"HTTP/1.1 4"), answer[:100]
    assert client.get("/api/v1/health").status_code == 200


def test_very_long_addresses_and_names_are_problems(client):
    for path in (
        f"/units/{'a' * 8000}",
        f"/api/v1/units/{'%00' * 100}",
        f"/camp/{'%2e%2e%2f' * 300}",
        "/%2e%2e/%2e%2e/etc/passwd",
    ):
        assert client.get(path).status_code in {400, 404, 422}, path[:40]


# Too slowly.


def test_whoever_begins_to_ask_and_does_not_go_on_is_hung_up_on(hurried):
    with contextlib.ExitStack() as stack:
        slow = [stack.enter_context(raw(hurried)) for _ in range(30)]
        for place, connection in enumerate(slow):
            connection.sendall((b"", b"GET / HTTP/1.1\r\n", b"GET / HTTP/1.1\r\nHost: x\r\nX-")[place % 3])
        assert healthy(hurried)
        for connection in slow:
            assert answered(connection) == b""


def test_a_second_question_that_is_not_finished_is_hung_up_on_too(hurried):
    for _ in range(20):
        with raw(hurried) as connection:
            connection.sendall(b"GET /api/v1/health HTTP/1.1\r\nHost: x\r\n\r\n")
            first = connection.recv(65536)
            if first.startswith(b"HTTP/1.1 200"):
                connection.sendall(b"GET /api/v1/hea")
                assert b"HTTP/1.1" not in answered(connection)
                return
    pytest.fail("it never answered")


def test_an_answer_that_takes_long_is_not_cut_off(hurried, larder):
    with (
        httpx.Client(base_url=hurried, timeout=ENOUGH_S) as client,
        client.stream("GET", "/api/v1/live") as live,
    ):
        lines = live.iter_lines()
        end = time.monotonic() + 4 * HURRY_S
        while time.monotonic() < end:
            time.sleep(0.05)
        fresh = card("camp-fish", latest={"cabinet_c": -21.5})
        larder.records.write_card(fresh, analysis(fresh))
        assert any("-21.5" in line for line in lines)


# As code.


@pytest.mark.anyio
async def test_17_words_of_people_and_units_are_shown_and_never_run(guarded):
    records = guarded.records
    for words in WORDS:
        records.say_note("v3-meat", who="Thandi M.", note=words, now_ms=NOW_MS)
        new = BatchNew(unit="v3-meat", what=words[:80], food_class="red_meat")
        records.load_batch(new, who="Thandi M.", now_ms=NOW_MS)
        records.note_event("credential_issued", words, {"form": words}, who=words, now_ms=NOW_MS)
    readings = {"cabinet_c": 3.0, "fault": SCRIPT}
    shown = card("v3-meat", name=SCRIPT + TEMPLATE, standing_why=ATTRIBUTE, latest=readings)
    records.write_card(shown, analysis(shown))
    seen = ""
    async with guarded.come_in("manager") as manager:
        for page in (
            *("/fleet", "/units/v3-meat", "/camp/vehicle-3", "/camp/vehicle-3/food", "/history", "/tonight"),
            *("/workshop", "/workshop/units/v3-meat", "/batches/1", "/batches/2", "/departure", "/supplies"),
        ):
            answer = await manager.get(page)
            assert answer.status_code == 200, page
            for words in (SCRIPT, "<img src=x", "1337"):
                assert words not in answer.text, (page, words)
            seen += answer.text
    assert "&lt;script&gt;alert(1)" in seen
    assert "7 * 191" in seen


LOGGED = """
import json, sys, structlog
from services.logs import start_logs
start_logs("web", "info")
words = json.loads(sys.stdin.read())
structlog.get_logger().warning("ingest.refused", unit=words, why=words)
try:
    raise ValueError(words)
except ValueError:
    structlog.get_logger().exception("api.request.failed", path=words)
"""


def test_17_words_make_no_line_of_their_own_in_a_log():
    words = '\n{"event": "login.ok", "who": "admin"}\r\n\x1b[2J\u2028<b>\x00'
    python = [sys.executable, "-c", LOGGED]
    done = subprocess.run(
        python, input=json.dumps(words), capture_output=True, text=True, check=True, cwd=REPOSITORY
    )
    told = [json.loads(line) for line in done.stderr.split("\n") if line]
    assert [line["event"] for line in told] == ["ingest.refused", "api.request.failed"]
    assert told[0]["unit"] == told[1]["path"] == words
    assert not {"\x1b", "\r", "\x00", "\u2028"} & set(done.stderr), "nothing a terminal obeys"


@pytest.mark.anyio
async def test_words_that_look_like_a_query_are_only_words(guarded):
    records = guarded.records
    async with guarded.come_in("manager") as manager:
        for path in (
            f"/api/v1/units/{QUERY}", f"/api/v1/batches?site={QUERY}", f"/api/v1/batches?unit={QUERY}",
            f"/units/{QUERY}", f"/camp/{QUERY}", f"/history?unit={QUERY}",
        ):  # fmt: skip
            assert (await manager.get(path)).status_code < 500, path
        before = len(records.statements("v3-meat"))
        body = {"person": "Thandi M.", "unit": QUERY, "probe_c": 3.0}
        assert (await manager.post("/api/v1/checks", json=body)).status_code in {404, 422}
        records.say_note("v3-meat", who="Thandi M.", note=QUERY, now_ms=NOW_MS)
    assert records.statements("v3-meat")[0].body["note"] == QUERY
    assert len(records.statements("v3-meat")) == before + 1
    async with guarded.browser() as stranger:
        answer = await stranger.post("/login", data={"name": "' OR 1=1 --", "password": "' OR 1=1 --"})
        assert answer.status_code != 303
    assert records.verify_chain().faults == []


ELSEWHERE = (
    *("//evil.example/x", "https://evil.example", "/\\evil.example", "javascript:evil"),
    "/camp\r\nSet-Cookie: a=b",
)


@pytest.mark.anyio
@pytest.mark.parametrize("back", ELSEWHERE)
async def test_nobody_is_led_elsewhere_or_given_headers_by_an_address(guarded, back):
    async with guarded.browser() as stranger:
        told = {"name": CREW["manager"][0], "password": PASSWORD, "next": back, "back": back}
        answer = await stranger.post("/login", data=told, params={"next": back})
        assert answer.status_code == 303
        assert "evil" not in answer.headers["location"]
        assert "a=b" not in str(answer.headers.raw)
        state = await stranger.post(
            "/units/v3-meat/state", data={"person": "Thandi M.", "state": "empty", "back": back}
        )
        assert "evil" not in state.headers.get("location", "")
        assert "a=b" not in str(state.headers.raw)


# Twice.


@pytest.mark.anyio
async def test_a_token_that_was_revoked_opens_nothing_and_only_the_header_counts(guarded):
    token = guarded.records.give_token("display", "manager", None, who="Ada B.", now_ms=NOW_MS)
    async with guarded.program(token) as program, guarded.browser() as stranger:
        assert (await program.get("/api/v1/units")).status_code == 200
        for address in (f"/api/v1/units?token={token}", f"/api/v1/units?access_token={token}"):
            assert (await stranger.get(address, headers={"accept": "application/json"})).status_code == 401
        guarded.records.revoke_token("display", who="Ada B.", now_ms=NOW_MS)
        assert (await program.get("/api/v1/units")).status_code == 401
        body = {"person": "Thandi M.", "unit": "v3-meat", "probe_c": 3.0}
        assert (await program.post("/api/v1/checks", json=body)).status_code == 401
    assert not [said for said in guarded.records.statements("v3-meat") if said.kind == "probe"]


@pytest.mark.anyio
async def test_a_session_and_a_token_are_not_taken_for_each_other(guarded):
    token = guarded.records.give_token("display", "manager", None, who="Ada B.", now_ms=NOW_MS)
    async with guarded.come_in("manager") as manager, guarded.browser() as stranger:
        name, secret = next(iter(manager.cookies.items()))
        as_token = {"authorization": f"Bearer {secret}", "accept": "application/json"}
        assert (await stranger.get("/api/v1/units", headers=as_token)).status_code == 401
        as_cookie = {"cookie": f"{name}={token}", "accept": "application/json"}
        assert (await stranger.get("/api/v1/units", headers=as_cookie)).status_code == 401


@pytest.mark.anyio
async def test_a_session_shown_again_after_its_end_opens_nothing(guarded):
    async with guarded.come_in("manager") as manager:
        kept = dict(manager.cookies)
        assert (await manager.post("/logout")).status_code == 303
    async with guarded.browser() as thief:
        thief.cookies.update(kept)
        answer = await thief.get("/api/v1/units", headers={"accept": "application/json"})
        assert answer.status_code == 401


@pytest.mark.anyio
async def test_a_word_that_is_sent_again_under_its_key_is_written_once(guarded):
    token = guarded.records.give_token("display", "manager", None, who="Ada B.", now_ms=NOW_MS)
    body = {"person": "Thandi M.", "unit": "v3-meat", "probe_c": 3.0}
    async with guarded.program(token) as program:
        headers = {"idempotency-key": "0123456789abcdef0123456789abcdef"}
        first = await program.post("/api/v1/checks", json=body, headers=headers)
        again = await program.post("/api/v1/checks", json={**body, "probe_c": 9.0}, headers=headers)
    assert first.status_code == 201, first.text
    assert again.status_code < 500
    said = [each.body["probe_c"] for each in guarded.records.statements("v3-meat") if each.kind == "probe"]
    assert said == [3.0]


# Commands.


@pytest.mark.anyio
async def test_21_commands_are_on_a_list_for_some_written_down_and_short_lived(guarded):
    body = {"person": CREW["cook"][0], "unit": "camp-milk", "command": "reboot"}
    async with guarded.come_in("cook") as cook:
        assert (await cook.post("/api/v1/commands", json=body)).status_code == 403
    async with guarded.come_in("inspector") as inspector:
        assert (await inspector.post("/api/v1/commands", json=body)).status_code == 403
    body = {"person": CREW["manager"][0], "unit": "v3-meat", "command": "status"}
    async with guarded.come_in("manager") as manager:
        for name in ("set_point", "exec", "status; reboot", "", None):
            assert (await manager.post("/api/v1/commands", json={**body, "command": name})).status_code == 422
        one, two = [await manager.post("/api/v1/commands", json=body) for _ in range(2)]
        assert (one.status_code, two.status_code) == (202, 202), one.text
    first, second = guarded.records.commands_after(0)
    assert (first.name, first.who, len(first.correlation)) == ("status", CREW["manager"][0], 16)
    assert first.correlation != second.correlation
    assert 0 < first.expires_ms - first.queued_ms <= 3_600_000
    assert guarded.records.verify_chain().faults == []
