"""What is sent is taken in whole, or not at all."""

import asyncio
import json

import pytest

from services.api.bodies import LARGER, BodyLimits


@pytest.fixture
def anyio_backend():
    return "asyncio"


async def echo(_scope, receive, send):
    body = b""
    while True:
        message = await receive()
        body += message.get("body", b"")
        if not message.get("more_body", False):
            break
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": body})


def parts(*pieces, ends=True):
    """Return what hands the pieces over one by one, and then nothing for ever."""
    waiting = [
        {"type": "http.request", "body": piece, "more_body": not ends or place < len(pieces) - 1}
        for place, piece in enumerate(pieces)
    ]

    async def receive():
        if waiting:
            return waiting.pop(0)
        await asyncio.Event().wait()
        raise AssertionError

    return receive


async def ask(receive, *, headers=(("transfer-encoding", "chunked"),), path="/", **limits):
    told = []

    async def send(message):
        told.append(message)

    scope = {
        "type": "http", "method": "POST", "path": path,
        "headers": [(name.encode(), value.encode()) for name, value in headers],
    }  # fmt: skip
    await BodyLimits(echo, **limits)(scope, receive, send)
    return told[0]["status"], b"".join(each.get("body", b"") for each in told[1:]), dict(told[0]["headers"])


@pytest.mark.anyio
async def test_a_body_in_pieces_arrives_as_it_was_sent():
    assert (await ask(parts(b"one ", b"two ", b"three")))[:2] == (200, b"one two three")
    assert (await ask(parts(b""), headers=(("content-length", "0"),)))[:2] == (200, b"")
    assert (await ask(parts(b"x" * 10, b"y" * 10), largest=20))[0] == 200


@pytest.mark.anyio
@pytest.mark.parametrize("headers", [(("transfer-encoding", "chunked"),), (("content-length", "5"),)])
async def test_one_that_grows_beyond_the_limit_is_refused_whatever_was_announced(headers):
    status, body, told = await ask(parts(b"x" * 15, b"y" * 10), headers=headers, largest=20)
    assert (status, json.loads(body)["code"]) == (413, "too_large")
    assert told[b"connection"] == b"close"


@pytest.mark.anyio
async def test_one_that_is_announced_too_large_is_not_waited_for():
    status, _, _ = await ask(parts(ends=False), headers=(("content-length", "21"),), largest=20)
    assert status == 413


@pytest.mark.anyio
async def test_one_that_never_ends_is_refused():
    status, body, _ = await ask(parts(b"x", ends=False), longest_s=0.01)
    assert (status, json.loads(body)["code"]) == (408, "too_slow")


@pytest.mark.anyio
async def test_a_file_of_rows_may_be_larger_and_has_its_own_limit():
    limit = LARGER["/admin/rows"]
    assert (await ask(parts(b"x" * limit), path="/admin/rows"))[0] == 200
    status, body, _ = await ask(parts(b"x" * limit, b"y"), path="/admin/rows")
    assert (status, json.loads(body)["detail"]) == (
        413,
        "That is more than can be sent at once: at most 5 MB.",
    )
    assert (await ask(parts(b"x" * limit), path="/admin/rows/other"))[0] == 413
