"""How long it takes from a unit's publishing to the verdict on open pages, with a whole fleet live.

Run ``python -m tests.bench.bench_live [--units 500] [--rate 200] [--minutes 10] [--history-h 24] [--check]``.
A real broker, and ingest, monitor and web as their own processes as the services start them; every unit has
its own connection and sends one sample a message, all units equally often; one reader listens to ``/live``.
A message counts as shown when a card comes whose newest reading is not older than the message's sample.
Each cabinet's air and compressor turn with a thermostat, half an hour a cycle. Beside the delays it tells how
many judgements were carried on by the sample alone, what a message costs, and how busy the machine was: where
others use it too, CPU per message can be compared, delays cannot.
"""

import argparse
import asyncio
import contextlib
import json
import os
import signal
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections import deque
from pathlib import Path

import httpx
import numpy as np
import psutil

from services.clock import now_ms
from services.domain.fleetfile import parse_fleet
from services.records.facade import Records
from services.store.sqlite import SqliteStore
from services.telemetry import Sample, topics
from services.telemetry.packs import encode_pack
from services.timebase import HOUR_MS, MINUTE_MS, ms_of_iso
from tests.helpers.broker import free_port, running_broker
from tests.helpers.crowd import connect_packet

ROOT = Path(__file__).resolve().parents[2]
TARGET_S = 2.0
MOST_GROWTH = 1.15
"""Memory at the end over that in the middle (judgement: an hour of this would double what leaks more)."""
SETTLE_S = 20.0
PARTS = ("ingest", "monitor", "web")


def name_of(number):
    return f"unit-{number:03d}"


def fleet_of(units):
    sites = [
        f'[[site]]\nid = "camp-{n:02d}"\nname = "Camp {n}"\nkind = "camp"\ntimezone = "Africa/Lusaka"\n'
        for n in range((units + 9) // 10)
    ]
    cabinets = [
        f'[[unit]]\nid = "{name_of(n)}"\nkind = "fridge"\nsite = "camp-{n // 10:02d}"\nset_point_c = 3.0\n'
        '[unit.food]\nclasses = ["red_meat"]\n[unit.supply]\nkind = "mains"\n'
        for n in range(units)
    ]
    return parse_fleet("".join([*sites, *cabinets]), name="fleet.toml")


CYCLE_S, RUNS = 1_800.0, 0.4
LOW_C, SWING_K = 2.0, 2.4
"""Air from 2.0 to 4.4 °C, running two fifths of the time."""


def sample(unit, sq, t_ms, bid):
    phase = (t_ms / 1000.0 + hash_of(unit)) % CYCLE_S / CYCLE_S
    runs = phase < RUNS
    above = 1.0 - phase / RUNS if runs else (phase - RUNS) / (1.0 - RUNS)
    values = {"cabinet": round(LOW_C + SWING_K * above, 2), "battery": 12.8, "compressor": runs}
    return Sample(unit, bid, sq, t_ms, 2, values, float(sq))


def hash_of(unit):
    """Return a number that shifts each unit's cycle."""
    return int(unit.rsplit("-", 1)[1]) * 37


def fill(data, units, history_h):
    """Give every unit a past of one sample a minute, as another boot."""
    store = SqliteStore(data / "telemetry.db")
    begin_ms = now_ms() - round(history_h * HOUR_MS)
    count = round(history_h * 60)
    for n in range(units):
        rows = [sample(name_of(n), sq, begin_ms + sq * MINUTE_MS, 1) for sq in range(count)]
        store.append(rows, received_ms=now_ms())
    store.close()


class Senders:
    """The units: one connection each, a QoS 1 message at equal intervals, answers thrown away."""

    def __init__(self, port, units, rate):
        self.port, self.units, self.every_s = port, units, units / rate
        self.waiting = {name_of(n): deque() for n in range(units)}
        """Per unit the messages not seen on a page yet: time of the sample, and of sending."""
        self.sent = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._all()), daemon=True)

    def start(self):
        self._thread.start()

    def stop(self):
        self._stop.set()
        self._thread.join(30.0)

    async def _all(self):
        await asyncio.gather(*(self._unit(n) for n in range(self.units)))

    async def _unit(self, n):
        unit, begin_s = name_of(n), time.monotonic() + 1.0 + n / self.units * self.every_s
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
        writer.write(connect_packet(unit, "unused"))
        listening = asyncio.create_task(self._throw_away(reader))
        topic = topics.topic(unit, "up/data").encode()
        sq = 0
        while not self._stop.is_set():
            await asyncio.sleep(max(0.0, begin_s + sq * self.every_s - time.monotonic()))
            t_ms = now_ms()
            payload = encode_pack([sample(unit, sq, t_ms, 2)])
            body = struct.pack("!H", len(topic)) + topic + struct.pack("!HB", sq % 60_000 + 1, 0) + payload
            self.waiting[unit].append((t_ms, time.monotonic()))
            writer.write(b"\x32" + length_of(len(body)) + body)
            await writer.drain()
            self.sent += 1
            sq += 1
        listening.cancel()
        writer.close()

    @staticmethod
    async def _throw_away(reader):
        while await reader.read(65_536):
            pass


def length_of(length):
    """Return a remaining length as MQTT writes it."""
    out = bytearray()
    while True:
        length, low = divmod(length, 128)
        out.append(low | (128 if length else 0))
        if not length:
            return bytes(out)


class Page:
    """One open page: reads the stream of changes and notes how old each message is when it is shown."""

    def __init__(self, url, waiting):
        self._url, self._waiting = url, waiting
        self.shown = []
        """Per message: when shown, and after how long."""
        self.seen = set()
        """Units of which a message was shown."""
        self._client = httpx.Client(timeout=httpx.Timeout(30.0, read=None))
        self._thread = threading.Thread(target=self._read, daemon=True)

    def start(self):
        self._thread.start()

    def stop(self):
        self._client.close()

    def _read(self):
        with (
            contextlib.suppress(httpx.HTTPError, RuntimeError),
            self._client.stream("GET", f"{self._url}/api/v1/live") as answer,
        ):
            for line in answer.iter_lines():
                if line.startswith("data:"):
                    self._take(json.loads(line.removeprefix("data:")), time.monotonic())

    def _take(self, told, moment_s):
        for card in told.get("units", ()):
            observed = card["observed_at"]
            if observed is None:
                continue
            observed_ms = observed if isinstance(observed, int) else ms_of_iso(observed)
            waiting = self._waiting[card["unit"]]
            while waiting and waiting[0][0] <= observed_ms:
                self.shown.append((moment_s, moment_s - waiting.popleft()[1]))
                self.seen.add(card["unit"])


def start_parts(data, url, port):
    environment = {**os.environ, "BUSHLARDER_BROKER_URL": url, "BUSHLARDER_PORT": str(port)}
    environment["BUSHLARDER_ACCESS"] = "demo"  # loopback only, nobody logs in
    found = {}
    for name in PARTS:
        with (data / f"{name}.log").open("wb") as log:
            found[name] = subprocess.Popen(
                [sys.executable, "-m", "deploy.cli", name, "--data", str(data)],
                cwd=ROOT, env=environment, stdout=log, stderr=log,
            )  # fmt: skip
    return found


def until(condition, within_s):
    end_s = time.monotonic() + within_s
    while not condition():
        if time.monotonic() > end_s:
            raise RuntimeError("it did not come about in time")
        time.sleep(0.5)


def answers(url):
    """Return whether the pages answer; the monitor may look silent while it judges its first units."""
    try:
        return httpx.get(f"{url}/api/v1/health", timeout=10.0).status_code == httpx.codes.OK
    except httpx.HTTPError:
        return False


def judged(url):
    return len(httpx.get(f"{url}/api/v1/units", timeout=30.0).json()["items"])


def assessments(url):
    """Return how many judgements the monitor has made since it started, and how many of them carried on."""
    text = httpx.get(f"{url}/metrics", timeout=30.0).text
    names = ("bushlarder_monitor_judged_total", "bushlarder_monitor_carried_total")
    return np.array(
        [float(line.split()[1]) for name in names for line in text.splitlines() if line.startswith(name)]
    )


def look(processes):
    """Return CPU seconds and resident megabytes of each process."""
    found = {}
    for name, process in processes.items():
        spent = process.cpu_times()
        found[name] = (spent.user + spent.system, process.memory_info().rss / 1e6)
    return found


def run(folder, options):
    data = folder / "data"
    data.mkdir()
    records = Records(data / "records.db")
    records.apply_fleet(fleet_of(options.units), who="bench", now_ms=now_ms())
    records.close()
    if options.history_h:
        fill(data, options.units, options.history_h)
    port = free_port()
    url = f"http://127.0.0.1:{port}"
    with running_broker(folder / "broker") as broker:
        parts = start_parts(data, broker.url, port)
        try:
            until(lambda: answers(url), 300.0)
            until(lambda: judged(url) >= options.units, 900.0)
            processes = {name: psutil.Process(process.pid) for name, process in parts.items()}
            processes |= {"mosquitto": psutil.Process(broker.pid), "bench itself": psutil.Process()}
            return watch(broker, url, processes, options)
        finally:
            for process in parts.values():
                process.terminate()
            for process in parts.values():
                process.wait(120.0)


def watch(broker, url, processes, options):
    senders = Senders(broker.port, options.units, options.rate)
    page = Page(url, senders.waiting)
    page.start()
    time.sleep(1.0)
    senders.start()
    started_s = time.monotonic()
    until(lambda: len(page.seen) >= options.units, 600.0)
    took_s = time.monotonic() - started_s
    print(f"after the pause every unit asks for a look at everything: done after {took_s:.0f} s")
    time.sleep(SETTLE_S)
    begun_s, sent_before = time.monotonic(), senders.sent
    looks, judged_before = [look(processes)], assessments(url)
    loads = []
    for _ in range(2):
        end_s = time.monotonic() + options.minutes * 30.0
        while time.monotonic() < end_s:
            time.sleep(min(5.0, max(0.0, end_s - time.monotonic())))
            loads.append(os.getloadavg()[0])
        looks.append(look(processes))
    took_s, sent = time.monotonic() - begun_s, senders.sent - sent_before
    judged_s, carried_s = (assessments(url) - judged_before) / took_s
    late = max((time.monotonic() - first[0][1] for first in senders.waiting.values() if first), default=0.0)
    unseen = sum(len(each) for each in senders.waiting.values())
    senders.stop()
    page.stop()
    delays = np.array([delay_s for at_s, delay_s in page.shown if at_s >= begun_s])
    report(delays, looks, took_s=took_s, sent=sent, unseen=unseen, late=late, loads=loads)
    spent = (looks[2]["monitor"][0] - looks[0]["monitor"][0]) / took_s
    print(f"judged in full: {judged_s - carried_s:.1f}/s; carried on by the sample alone: {carried_s:.1f}/s")
    print(f"monitor: {spent / max(sent / took_s, 1e-9) * 1000.0:.2f} ms of CPU per message")
    growth = max(looks[2][name][1] / looks[1][name][1] for name in (*PARTS, "mosquitto"))
    return bool(len(delays)) and np.percentile(delays, 99) <= TARGET_S and growth <= MOST_GROWTH


def report(delays, looks, *, took_s, sent, unseen, late, loads):
    p50, p99 = np.percentile(delays, [50, 99]) if len(delays) else (np.nan, np.nan)
    print(f"{sent} messages in {took_s:.0f} s, {sent / took_s:.0f}/s; machine's load {np.mean(loads):.1f}")
    print(f"publish to page: p50 {p50:.2f} s, p99 {p99:.2f} s (target {TARGET_S:g}), of {len(delays)}")
    print(f"not shown at the end: {unseen}, the oldest {late:.1f} s old")
    for name in looks[0]:
        spent = (looks[2][name][0] - looks[0][name][0]) / took_s
        sizes = " ".join(f"{each[name][1]:.0f}" for each in looks)
        print(f"{name:14} CPU {spent:5.2f} of a core; memory at start, middle, end {sizes} MB")


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--units", type=int, default=500)
    parser.add_argument("--rate", type=float, default=200.0, help="messages a second of all units together")
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--history-h", type=float, default=24.0, help="past of every unit, a sample a minute")
    parser.add_argument("--check", action="store_true", help="exit 1 above the targets")
    options = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # so that the parts are ended too
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        well = run(Path(folder), options)
    sys.exit(0 if well or not options.check else 1)


if __name__ == "__main__":
    main()
