"""PUBLISH packets taken apart, whole or in pieces."""

import contextlib
import socket
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from services.ingest.client import BulkClient, Delivery, MalformedPacketError, delivery_of


def length_of(size):
    out = bytearray()
    while True:
        size, byte = divmod(size, 128)
        out.append(byte | (128 if size else 0))
        if not size:
            return bytes(out)


def packet_of(topic, payload, *, qos=1, dup=False, mid=7, properties=b"\x00"):
    head = struct.pack("!H", len(topic.encode())) + topic.encode()
    body = head + (struct.pack("!H", mid) if qos else b"") + properties + payload
    return bytes([0x30 | qos << 1 | dup << 3]) + length_of(len(body)) + body


def test_properties_tell_of_expiry_and_correlation():
    properties = Properties(PacketTypes.PUBLISH)
    properties.MessageExpiryInterval = 600
    properties.CorrelationData = b"\x01\x02"
    properties.UserProperty = ("a", "b")
    packet = packet_of("a/b", b"body", properties=properties.pack())
    assert delivery_of(packet) == Delivery(
        "a/b", b"body", qos=1, dup=False, mid=7, expiry_left_s=600, correlation=b"\x01\x02"
    )


def test_without_quality_of_service_there_is_nothing_to_acknowledge():
    assert delivery_of(packet_of("a/b", b"", qos=0)) == Delivery(
        "a/b", b"", qos=0, dup=False, mid=0, expiry_left_s=None, correlation=b""
    )


def test_a_packet_cut_short_is_malformed():
    with pytest.raises(MalformedPacketError):
        delivery_of(b"\x32\x03\x00\x01a")


@given(st.binary(max_size=60))
def test_no_bytes_raise_anything_else(tail):
    with contextlib.suppress(MalformedPacketError):
        delivery_of(b"\x32" + length_of(len(tail)) + tail)


@given(
    payloads=st.lists(st.binary(max_size=300), min_size=1, max_size=12),
    cut=st.integers(1, 400),
)
def test_deliveries_do_not_depend_on_how_the_bytes_arrive(payloads, cut):
    ours, theirs = socket.socketpair()
    ours.settimeout(0)
    client = BulkClient(CallbackAPIVersion.VERSION2, "x", protocol=MQTTProtocolVersion.MQTTv5)
    client._sock = ours
    stream = b"".join(
        packet_of("t/x", payload, mid=n + 1, dup=n % 2 == 1) for n, payload in enumerate(payloads)
    )
    pingresp = b"\xd0\x00"
    stream = stream + pingresp + packet_of("t/y", b"end")
    seen = []
    for start in range(0, len(stream), cut):
        theirs.send(stream[start : start + cut])
        seen += list(client.deliveries())
    assert [each.payload for each in seen] == [*payloads, b"end"]
    assert [each.mid for each in seen[:-1]] == list(range(1, len(payloads) + 1))
    assert [each.dup for each in seen[:-1]] == [n % 2 == 1 for n in range(len(payloads))]
    client._sock = None
    ours.close()
    theirs.close()


def test_a_length_without_end_is_malformed():
    ours, theirs = socket.socketpair()
    ours.settimeout(0)
    client = BulkClient(CallbackAPIVersion.VERSION2, "x", protocol=MQTTProtocolVersion.MQTTv5)
    client._sock = ours
    theirs.send(b"\x30\xff\xff\xff\xff\xff")
    with pytest.raises(MalformedPacketError):
        list(client.deliveries())
    client._sock = None
    ours.close()
    theirs.close()
