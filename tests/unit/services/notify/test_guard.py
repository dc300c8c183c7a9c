"""What addresses typed by people lead to is looked at when the connection is made."""

import http.client
import socket

import pytest

from services.notify.failures import NotTakenError
from services.notify.guard import is_outside, outside_only


@pytest.mark.parametrize(
    "host",
    [
        "127.0.0.1", "127.9.9.9", "10.0.0.8", "172.16.4.4", "192.168.1.1", "169.254.169.254", "100.64.0.1",
        "0.0.0.0",  # noqa: S104
        "224.0.0.1", "255.255.255.255", "::1", "::", "fe80::1%eth0", "fd00::8", "ff02::1",
        "::ffff:127.0.0.1", "::ffff:10.0.0.8", "64:ff9b::a00:8", "2002:7f00:1::", "localhost", "",
    ],
)  # fmt: skip
def test_own_networks_are_inside_however_they_are_spelled(host):
    assert not is_outside(host)


@pytest.mark.parametrize("host", ["8.8.8.8", "2a00:1450:4001::1", "::ffff:8.8.8.8", "64:ff9b::808:808"])
def test_the_open_net_is_outside(host):
    assert is_outside(host)


@pytest.fixture
def listener():
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "::ffff:127.0.0.1"])
def test_a_connection_inwards_is_refused_before_it_is_made(listener, host):
    connection = http.client.HTTPConnection(host, listener, timeout=5.0)
    with (
        pytest.raises(NotTakenError, match="inside of our own network") as refused,
        outside_only(inside_too=False),
    ):
        connection.connect()
    connection.close()
    assert refused.value.lasting


def test_a_library_that_keeps_errors_to_itself_cannot_hide_it(listener):
    def quiet():
        try:
            socket.create_connection(("127.0.0.1", listener), 5.0)
        except OSError:
            return False
        return True

    with pytest.raises(NotTakenError, match="inside"), outside_only(inside_too=False):
        assert quiet() is False
    with outside_only(inside_too=True):
        socket.create_connection(("127.0.0.1", listener), 5.0).close()
    socket.create_connection(("127.0.0.1", listener), 5.0).close()
