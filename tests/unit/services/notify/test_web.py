"""Signed calls of web addresses, to a real receiver on this machine."""

import base64
import hashlib
import hmac
import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from services.notify.failures import NotTakenError
from services.notify.web import WebSender, WebSettings, secret_of, shown
from tests.helpers.messages import NOW_MS, message

SECRET = b"0" * 64


@pytest.fixture
def receiver():
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self):
            body = self.rfile.read(int(self.headers["Content-Length"]))
            self.server.got.append((self.path, dict(self.headers.items()), body))
            self.send_response(self.server.status)
            self.send_header("Location", "http://127.0.0.1:1/elsewhere")
            self.end_headers()

        def log_message(self, *_):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.got, server.status = [], 204
    server.url = f"http://127.0.0.1:{server.server_port}/hook?x=1"
    thread = threading.Thread(target=server.serve_forever, args=(0.01,))
    thread.start()
    yield server
    server.shutdown()
    thread.join()
    server.server_close()


def sender(*, inside_too=True):
    settings = WebSettings(secret=SECRET, source="https://box.example/notices", inside_too=inside_too)
    return WebSender(settings, lambda: NOW_MS)


def test_a_receiver_can_prove_who_calls_and_reads_a_cloud_event(receiver):
    words = sender()(
        message("notice.4.way.1", kind="web", target=receiver.url, data={"unit": "v3", "t_ms": 1})
    )
    assert words == "Taken by 127.0.0.1, which answered 204."
    ((path, headers, body),) = receiver.got
    assert path == "/hook?x=1"
    assert headers["Content-Type"] == "application/cloudevents+json; charset=utf-8"
    event = json.loads(body)
    # CloudEvents 1.0.2, "Required attributes"
    assert {name: event[name] for name in ("specversion", "id", "source", "type")} == {
        "specversion": "1.0",
        "id": "notice.4.way.1",
        "source": "https://box.example/notices",
        "type": "bushlarder.notice",
    }
    assert event["subject"] == "notices/4"
    assert event["data"] == {
        "subject": "Kudu", "body": "Warm.", "priority": None, "about": "notice", "notice": 4, "unit": "v3",
        "t_ms": 1,
    }  # fmt: skip
    # as a receiver does it, with the words of the specification alone
    key = base64.b64decode(shown(secret_of(SECRET, receiver.url)).removeprefix("whsec_"))
    signed = b".".join([headers["webhook-id"].encode(), headers["webhook-timestamp"].encode(), body])
    expected = base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()
    assert headers["webhook-signature"] == f"v1,{expected}"
    assert headers["webhook-timestamp"] == str(NOW_MS // 1000)


def test_every_address_has_a_secret_of_its_own():
    assert secret_of(SECRET, "https://a.example") != secret_of(SECRET, "https://b.example")


@pytest.mark.parametrize(
    ("status", "words", "lasting"),
    [
        (302, "points elsewhere; that is not followed", False),
        (410, "answered 410", True),
        (500, "answered 500", False),
        (404, "answered 404", False),
    ],
)
def test_what_is_not_a_yes_is_not_taken_and_nothing_is_followed(receiver, status, words, lasting):
    receiver.status = status
    with pytest.raises(NotTakenError, match=words) as refused:
        sender()(message(kind="web", target=receiver.url))
    assert refused.value.lasting is lasting
    assert len(receiver.got) == 1


def test_an_address_inside_is_called_only_where_an_administrator_allows_it(receiver):
    inside = receiver.url.replace("http:", "https:")
    with pytest.raises(NotTakenError, match="inside of our own network"):
        sender(inside_too=False)(message(kind="web", target=inside))
    with pytest.raises(NotTakenError, match="https:// only"):
        sender(inside_too=False)(message(kind="web", target=receiver.url))
    assert receiver.got == []


@pytest.mark.parametrize("target", ["ftp://x.example", "https://", "file:///etc/passwd", "https://x.exämple"])
def test_what_is_no_web_address_is_given_up(target):
    with pytest.raises(NotTakenError, match="not a web address") as refused:
        sender()(message(kind="web", target=target))
    assert refused.value.lasting


def test_nobody_there_is_said_in_words(receiver):
    receiver.shutdown()
    receiver.server_close()
    with pytest.raises(NotTakenError, match="refused the connection on port"):
        sender()(message(kind="web", target=receiver.url))
