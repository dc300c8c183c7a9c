"""What an answer of the server means: points at fault, somebody to be asked, or wait and see."""

import gzip
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import msgpack
import pytest

from services.errors import DependencyUnavailable
from services.store.influx_access import InfluxAccess
from services.store.influx_server import InfluxRefused, InfluxServer


class Stub(BaseHTTPRequestHandler):
    """Gives the answers of servers that are not to be had here, then takes everything."""

    def do_POST(self):
        body = gzip.decompress(self.rfile.read(int(self.headers["Content-Length"])))
        self.server.sent.append(body.decode().split("\n"))
        status, words = self.server.answers.pop(0) if self.server.answers else (204, b"")
        self.send_response(status)
        self.send_header("Content-Length", str(len(words)))
        self.end_headers()
        self.wfile.write(words)

    def do_GET(self):
        status, words = self.server.answers.pop(0)
        self.send_response(status)
        self.send_header("Content-Length", str(len(words)))
        self.end_headers()
        self.wfile.write(words)

    def log_message(self, *_):
        pass


@pytest.fixture
def stub():
    made = ThreadingHTTPServer(("127.0.0.1", 0), Stub)
    made.daemon_threads = True
    made.answers, made.sent = [], []
    thread = threading.Thread(target=made.serve_forever, args=(0.02,))
    thread.start()
    yield made
    made.shutdown()
    thread.join(5.0)
    made.server_close()


@pytest.fixture
def server(stub):
    url = f"http://127.0.0.1:{stub.server_address[1]}"
    made = InfluxServer(InfluxAccess(url, "secret-token", "-", "larder", timeout_s=5.0))
    yield made
    made.close()


@pytest.mark.parametrize(
    ("status", "body"),
    [
        (400, b'{"error":"partial write: field type conflict: ... dropped=1"}'),
        (400, b'{"error":"unable to parse \'x\': missing fields"}'),
        (400, b'{"code":"invalid","message":"partial write of line protocol occurred"}'),
        (422, b'{"code":"unprocessable entity","message":"failure writing points"}'),
        (413, b"<html>too large</html>"),
    ],
)
def test_a_complaint_about_points_is_narrowed_down_by_halves(stub, server, status, body):
    stub.answers += [(status, body)] * 3
    refused = server.write(["a", "b", "c", "d"])
    assert list(refused) == [0]
    assert refused[0].split('"')[0] in body.decode()
    assert stub.sent == [["a", "b", "c", "d"], ["a", "b"], ["a"], ["b"], ["c", "d"]]


@pytest.mark.parametrize(
    ("status", "body"),
    [
        (401, b'{"code":"unauthorized","message":"unauthorized access"}'),
        (403, b'{"error":"not allowed"}'),
        (404, b'{"code":"not found","message":"bucket \\"larder\\" not found"}'),
        (400, b'{"error":"bucket is required"}'),
        (400, b'{"error":"partial write: max-values-per-tag limit exceeded (100000/100000): dropped=1"}'),
        (500, b'{"error":"retention policy not found: x"}'),
    ],
)
def test_what_a_person_must_mend_blames_no_point(stub, server, status, body):
    stub.answers.append((status, body))
    with pytest.raises(InfluxRefused, match="see influx_url, influx_token and influx_bucket"):
        server.write(["a", "b"])


@pytest.mark.parametrize("status", [429, 500, 502, 503])
def test_a_server_in_trouble_is_asked_again_later(stub, server, status):
    stub.answers.append((status, b"<html>try later</html>"))
    with pytest.raises(DependencyUnavailable, match=f"answers {status}: <html>try later") as told:
        server.write(["a", "b"])
    assert not isinstance(told.value, InfluxRefused)


def test_nobody_there_is_a_dependency_that_does_not_answer():
    server = InfluxServer(InfluxAccess("http://127.0.0.1:1", "t", "-", "larder", timeout_s=0.5))
    for work in (
        lambda: server.write(["samples,unit=a sq=1i 1"]),
        lambda: list(server.query("SELECT 1")),
        server.version,
    ):
        with pytest.raises(DependencyUnavailable, match="does not answer"):
            work()
    server.close()


def test_words_come_out_of_either_envelope(stub, server):
    stub.answers.append((401, msgpack.packb({"error": "authorization failed"})))
    with pytest.raises(InfluxRefused, match="401: authorization failed"):
        list(server.query("SELECT 1"))


def test_an_answer_that_makes_no_sense_blames_no_point(stub, server):
    stub.answers += [(400, b"\x81\xff\xfe"), (200, b"\xc1 what?")]
    with pytest.raises(DependencyUnavailable, match="does not answer"):
        server.write(["a"])
    with pytest.raises(DependencyUnavailable, match="does not answer"):
        list(server.query("SELECT 1"))


def test_the_token_is_not_shown(server):
    assert "secret-token" not in repr(server.access)
