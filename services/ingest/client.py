"""A paho client with a short way for what comes in by the thousand.

paho reads each packet in three small pieces and builds several objects around it, which is most of the
cost of receiving (measured). Here the socket is read in large pieces; complete PUBLISH packets are taken
apart at once (MQTT 5.0, section 3.3) and every other packet goes to paho, whole. Only the thread that runs
the network loop may use it.
"""

import struct
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import paho.mqtt.client as mqtt
from paho.mqtt import MQTTException
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

READ_BYTES = 65_536
_PUBLISH, _PUBACK = 3, 4
_LONGEST_LENGTH = 4
"""Bytes that a variable byte integer takes at most [MQTT 5.0, 1.5.5]."""


class Delivery(NamedTuple):
    """A PUBLISH packet as it came."""

    topic: str
    payload: bytes
    qos: int
    dup: bool
    mid: int
    """Packet identifier to acknowledge, 0 with QoS 0."""
    expiry_left_s: int | None
    correlation: bytes


class MalformedPacketError(ValueError):
    """The broker sent something that is no MQTT; the connection is of no use any more."""


class BulkClient(mqtt.Client):
    """A client whose deliveries are iterated over, and acknowledged many at a time."""

    _ahead = b""
    _at = 0
    _window = 0
    _ended = False

    def begin(self) -> None:
        """Forget what belongs to a connection that is gone."""
        self._ahead, self._at, self._window, self._ended = b"", 0, 0, False

    def deliveries(self) -> Iterator[Delivery]:
        """Yield what has arrived until the socket has no more; other packets are dealt with between.

        Raises
        ------
        MalformedPacketError
            If the bytes are no MQTT.
        """
        while True:
            size = self._packet_size()
            if size is None:
                if not self._read_more():
                    return
                continue
            if self._ahead[self._at] >> 4 == _PUBLISH:
                packet = self._ahead[self._at : self._at + size]
                self._at += size
                yield delivery_of(packet)
                continue
            self._window = self._at + size
            if self.loop_read() != mqtt.MQTT_ERR_SUCCESS:
                return

    def acknowledge(self, mids: Sequence[int]) -> None:
        """Queue a PUBACK for each, in order, as one piece."""
        if mids:
            packets = b"".join([struct.pack("!BBH", _PUBACK << 4, 2, mid) for mid in mids])
            self._packet_queue(_PUBACK << 4, packets, 0, 0)

    def _packet_size(self) -> int | None:
        """Return the size of the next packet, None when not all of it is here."""
        size = 0
        for place in range(1, _LONGEST_LENGTH + 1):
            if self._at + place >= len(self._ahead):
                return None
            byte = self._ahead[self._at + place]
            size |= (byte & 0x7F) << 7 * (place - 1)
            if byte < 0x80:  # noqa: PLR2004 - the bit that says another byte follows
                size += 1 + place
                return size if self._at + size <= len(self._ahead) else None
        raise MalformedPacketError("a packet's length does not end")

    def _read_more(self) -> bool:
        """Read what the socket has; False when that is nothing for now, or nothing ever again."""
        try:
            piece = super()._sock_recv(READ_BYTES)
        except BlockingIOError:
            return False
        except OSError:
            piece = b""
        if not piece:
            self._ended = True
            self.loop_read()  # paho finds the end and tells everybody
            return False
        self._ahead = self._ahead[self._at :] + piece
        self._at = 0
        return True

    def _sock_recv(self, bufsize: int) -> bytes:
        """Give paho the bytes of the one packet it is to look at."""
        if self._ended:
            return b""
        if self._at >= self._window:
            raise BlockingIOError
        piece = self._ahead[self._at : min(self._at + bufsize, self._window)]
        self._at += len(piece)
        return piece


def delivery_of(packet: bytes) -> Delivery:
    """Return a PUBLISH packet taken apart.

    Raises
    ------
    MalformedPacketError
        If it is not one.
    """
    try:
        at = 2
        while packet[at - 1] >= 0x80:  # noqa: PLR2004 - as above
            at += 1
        flags = packet[0]
        qos = flags >> 1 & 3
        end = at + 2 + int.from_bytes(packet[at : at + 2], "big")
        topic = packet[at + 2 : end].decode(errors="replace")
        mid = 0
        if qos:
            mid = int.from_bytes(packet[end : end + 2], "big")
            end += 2
        expiry_left_s, correlation, body = None, b"", end + 1
        if packet[end]:
            properties, length = Properties(PacketTypes.PUBLISH).unpack(packet[end:])  # type: ignore[no-untyped-call]
            body = end + length
            expiry_left_s = getattr(properties, "MessageExpiryInterval", None)
            correlation = getattr(properties, "CorrelationData", b"")
    except (IndexError, ValueError, MQTTException) as error:
        raise MalformedPacketError(f"a PUBLISH packet cannot be read: {error}") from error
    return Delivery(topic, packet[body:], qos, bool(flags & 8), mid, expiry_left_s, correlation)
