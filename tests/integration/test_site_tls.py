"""`setup tls` and what is served after it: the real commands, a client that trusts them, a renewal."""

import http.client
import socket
import ssl
import subprocess
import sys
import time
from contextlib import contextmanager

import pytest
from typer.testing import CliRunner

from deploy import certificates, doctor
from deploy.cli import app
from services.clock import now_ms
from services.settings import load_settings

pytestmark = pytest.mark.integration

WITHIN_S = 60.0
WEB = "from deploy.cli import main; main()"


def command(*words):
    done = CliRunner().invoke(app, words)
    return done.exit_code, done.output


def free_ports(count):
    held = [socket.create_server(("127.0.0.1", 0)) for _ in range(count)]
    found = [each.getsockname()[1] for each in held]
    for each in held:
        each.close()
    return found


def told(port, path, *, ca=None):
    """Return status and body, by TLS if an authority is trusted."""
    if ca is None:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    else:
        context = ssl.create_default_context(cafile=ca)
        connection = http.client.HTTPSConnection("127.0.0.1", port, timeout=10, context=context)
    connection.request("GET", path)
    answer = connection.getresponse()
    found = answer.status, answer.read(), dict(answer.getheaders())
    connection.close()
    return found


def stranger(folder):
    """Return an authority of another house."""
    file = folder / "stranger.crt"
    file.write_bytes(certificates.root("Somebody else", now_ms=now_ms()).certificate)
    return file


def serial(port, ca):
    with (
        socket.create_connection(("127.0.0.1", port), timeout=10) as plain,
        ssl.create_default_context(cafile=ca).wrap_socket(plain, server_hostname="127.0.0.1") as secure,
    ):
        return secure.getpeercert()["serialNumber"]


def until(what, process, log):
    end = time.monotonic() + WITHIN_S
    while True:
        try:
            if what():
                return
        except (OSError, http.client.HTTPException):
            pass
        assert process.poll() is None, log.read_text(encoding="utf-8")
        assert time.monotonic() < end, "not within a minute"
        time.sleep(0.1)


@contextmanager
def web(data):
    with (data / "web.log").open("w") as log:
        process = subprocess.Popen(
            [sys.executable, "-c", WEB, "web", "--data", str(data)], stdout=log, stderr=subprocess.STDOUT
        )
        try:
            yield process
        finally:
            process.terminate()
            process.wait(30)


def test_pages_are_served_to_who_trusts_the_site_and_renewed_without_a_new_start(tmp_path):
    port, door = free_ports(2)
    (tmp_path / "bushlarder.toml").write_text(f'port = {port}\nlog_level = "warning"\n', encoding="utf-8")
    set_up = ("setup", "tls", "--data", str(tmp_path))
    code, said = command(
        *set_up, "--address", "127.0.0.1", "--listen", "127.0.0.1", "--trust-port", str(door)
    )
    assert code == 0, said
    ca = tmp_path / "tls" / "authority.crt"
    assert f"http://127.0.0.1:{door}/trust" in said
    with web(tmp_path) as process:
        until(lambda: told(port, "/health", ca=ca)[0] in {200, 503}, process, tmp_path / "web.log")
        status, body, headers = told(port, "/trust", ca=ca)
        assert (status, b"Compare before you believe it" in body) == (200, True)
        assert "max-age" in headers["strict-transport-security"]
        with pytest.raises(ssl.SSLCertVerificationError):
            told(port, "/health", ca=stranger(tmp_path))
        assert told(door, "/trust")[0] == 200
        status, body, headers = told(door, "/login")
        assert (status, headers["location"]) == (307, f"https://127.0.0.1:{port}/login")
        before = serial(port, ca)
        code, said = command(*set_up, "--renew")
        assert code == 0, said
        until(lambda: serial(port, ca) != before, process, tmp_path / "web.log")
    rows = {row.what: row for row in doctor.look(load_settings(tmp_path))}
    assert rows["pages' certificate"].state == "ok"
    assert rows["pages' authority"].state == "ok"
