"""Many units at a broker at once: no firmware, but its back-off, over real TLS with real log-ins."""

import asyncio
import ssl
import struct
import threading
from dataclasses import dataclass, field

from firmware_sim.firmware.backoff import BackOff

_CONNACK = 0x20
_HANDSHAKE_S = 30.0


class Eager(BackOff):
    """What units would do that knock again after half a second, all alike: the control."""

    def attempted(self, at_s: float) -> None:
        self.next_s = at_s + 0.5

    def lost(self, at_s: float) -> None:
        pass


@dataclass
class Crowd:
    """Connections of many units, in a thread of their own."""

    host: str
    port: int
    context: ssl.SSLContext
    secrets: dict[str, str]
    back_off: type[BackOff] = BackOff
    connected: set[str] = field(default_factory=set)
    returns: list[float] = field(default_factory=list)
    """Moment each unit chose to come back at after it lost a connection, on the loop's clock.

    Not when it did: a busy machine holds several up alike, and a broker slow to start is knocked at often.
    """
    refused: int = 0
    failed: int = 0
    _loop: asyncio.AbstractEventLoop | None = None
    _thread: threading.Thread | None = None

    def start(self) -> None:
        self._thread = threading.Thread(target=lambda: asyncio.run(self._all()), daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._loop.call_soon_threadsafe(self._over.set)
        self._thread.join(10.0)

    def peak(self, window_s: float, *, since_s: float) -> int:
        """Return the most units that chose to come back within any stretch of a length."""
        moments = sorted(at_s for at_s in self.returns if at_s >= since_s)
        first, most = 0, 0
        for last, at_s in enumerate(moments):
            while at_s - moments[first] > window_s:
                first += 1
            most = max(most, last - first + 1)
        return most

    def now_s(self) -> float:
        return self._loop.time()

    async def _all(self) -> None:
        self._loop, self._over = asyncio.get_running_loop(), asyncio.Event()
        tasks = [asyncio.create_task(self._unit(name)) for name in self.secrets]
        await self._over.wait()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    async def _unit(self, name: str) -> None:
        back_off = self.back_off(f"1/{name}")
        while True:
            await asyncio.sleep(max(0.0, back_off.next_s - self._loop.time()))
            back_off.attempted(self._loop.time())
            try:
                await self._stay(name, back_off)
            except (OSError, asyncio.IncompleteReadError, TimeoutError):
                self.failed += 1

    async def _stay(self, name: str, back_off: BackOff) -> None:
        async with asyncio.timeout(_HANDSHAKE_S):
            reader, writer = await asyncio.open_connection(self.host, self.port, ssl=self.context)
        try:
            writer.write(connect_packet(name, self.secrets[name]))
            head = await asyncio.wait_for(reader.readexactly(4), _HANDSHAKE_S)
            if head[0] != _CONNACK or head[3] != 0:
                self.refused += 1
                return
            since_s = self._loop.time()
            self.connected.add(name)
            while await reader.read(4096):
                pass
            back_off.held(self._loop.time() - since_s)
            back_off.lost(self._loop.time())
            self.returns.append(back_off.next_s)
        finally:
            self.connected.discard(name)
            writer.transport.abort()


def connect_packet(user: str, password: str) -> bytes:
    """Return a CONNECT of MQTT 5 with clean start, keep alive of an hour at most, user and password."""
    body = b"\x00\x04MQTT\x05\xc2" + struct.pack("!H", 600) + b"\x00"
    for text in (user, user, password):
        raw = text.encode()
        body += struct.pack("!H", len(raw)) + raw
    assert len(body) < 128
    return bytes([0x10, len(body)]) + body
