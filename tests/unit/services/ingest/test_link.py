"""What can be told of the link without a broker."""

import struct
import threading
import time

import pytest

from services.errors import ConfigurationError
from services.ingest.access import Access
from services.ingest.link import Link
from tests.helpers.broker import free_port


@pytest.mark.parametrize("url", ["", "localhost:1883", "http://127.0.0.1:1883", "mqtt://", "mqtt://h:port"])
def test_a_url_that_names_no_broker_is_the_operators_business(url):
    with pytest.raises(ConfigurationError, match="broker_url"):
        Link(Access(url), ["a/b"])


def test_the_usual_ports_are_assumed():
    for url, port in (("mqtt://box", 1883), ("mqtts://box", 8883), ("mqtt://me:pw@box:1999", 1999)):
        link = Link(Access(url), [])
        assert (link._host, link._port) == ("box", port)
        link.stop()


def test_a_link_without_a_broker_waits_and_stops_at_once():
    link = Link(Access(f"mqtt://127.0.0.1:{free_port()}"), ["a/b"])
    link.start()
    assert link.take(10, wait_s=0.3, linger_s=0.1) == []
    assert not link.connected
    start = time.monotonic()
    link.stop()
    assert time.monotonic() - start < 3.0


def test_a_network_side_that_ended_by_a_fault_of_its_own_is_noticed(monkeypatch):
    link = Link(Access("mqtt://127.0.0.1:1"), ["cold/v1/#"])
    assert link.take(1, wait_s=0.0, linger_s=0.0) == []  # not started yet

    def broken():
        raise struct.error("nobody foresaw this")

    monkeypatch.setattr(link, "_connect", broken)
    ended = []
    monkeypatch.setattr(threading, "excepthook", ended.append)
    link.start()
    link._thread.join(10.0)
    assert len(ended) == 1
    assert not link.connected
    with pytest.raises(RuntimeError, match="has ended"):
        link.take(1, wait_s=0.0, linger_s=0.0)
    link.stop()
    assert link.take(1, wait_s=0.0, linger_s=0.0) == []
