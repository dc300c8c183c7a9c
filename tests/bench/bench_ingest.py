"""What durable ingest costs beside a subscriber that throws everything away.

Run ``python -m tests.bench.bench_ingest --check``. Both arms drain the same 20 000 packs (one sample, four
channels) from an offline session of a real broker and acknowledge per 100. The arms run interleaved, each as
its own process; each pair gives a ratio, and the median of these counts. A third arm commits each message on
its own, over fewer messages, for the price of not batching.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from urllib.parse import urlsplit

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from services.clock import now_ms
from services.ingest import worker
from services.ingest.access import Access
from services.ingest.link import RECEIVE_MAXIMUM, Link
from services.store.sqlite import SqliteStore
from services.telemetry import topics
from services.telemetry.packs import encode_pack
from tests.helpers.broker import running_broker
from tests.helpers.units import client_for, sample_of

MESSAGES = 20_000
SINGLE_MESSAGES = 1_000
UNITS = [f"unit-{number:02d}" for number in range(50)]
ACK_EVERY = 100
LEAST_RATIO = 0.7
LEAST_BATCH_GAIN = 20.0
SLOW_DISK_MS = 5.0
"""The gain from batching is promised only where a flush takes at least this long (design 6)."""
ROOT = Path(__file__).resolve().parents[2]


def bare_arm(url, count):
    """Drain with stock paho, throw payloads away, acknowledge per 100."""
    parts = urlsplit(url)
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2, "bench", protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True
    )
    done = threading.Event()
    seen, batch = [0, 0.0], []

    def on_message(_client, _userdata, message):
        if not seen[0]:
            seen[1] = time.perf_counter()
        seen[0] += 1
        batch.append(message.mid)
        if len(batch) == ACK_EVERY:
            for mid in batch:
                client.ack(mid, 1)
            batch.clear()
        if seen[0] == count:
            done.set()

    client.on_message = on_message
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = 3_600
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    client.connect(parts.hostname, parts.port, clean_start=False, properties=properties)
    cpu = time.process_time()
    client.loop_start()
    assert done.wait(120.0), f"{seen[0]} of {count}"
    elapsed = time.perf_counter() - seen[1]
    cpu = time.process_time() - cpu
    client.disconnect()
    client.loop_stop()
    return count / elapsed, cpu / count * 1e6


def durable_arm(url, count, folder, batch):
    """Drain with the real ingest into a real store, until all is stored, acknowledged and confirmed."""
    worker.BATCH = batch
    store = SqliteStore(Path(folder) / "telemetry.db")
    link = Link(Access(url), topics.service_filters(), client_id="bench")
    ingest = worker.Ingest(store, link, known_units=lambda: frozenset(UNITS))
    stop = threading.Event()
    first = [0.0]
    take = link.take

    def stamped(*arguments, **named):
        arrivals = take(*arguments, **named)
        if arrivals and not first[0]:
            first[0] = time.perf_counter() - (now_ms() - arrivals[0].received_ms) / 1000
        return arrivals

    link.take = stamped
    link.start()
    cpu = time.process_time()
    thread = threading.Thread(target=ingest.run, args=(stop,))
    thread.start()
    deadline = time.monotonic() + 300.0
    while ingest.counters["stored"] < count and time.monotonic() < deadline:
        time.sleep(0.002)
    elapsed = time.perf_counter() - first[0]
    cpu = time.process_time() - cpu
    stop.set()
    thread.join()
    link.stop()
    assert sum(mark + 1 for unit in UNITS for mark in store.marks(unit).values()) == count, ingest.counters
    assert ingest.counters["duplicates"] == 0
    store.close()
    return count / elapsed, cpu / count * 1e6


def queue_up(url, count):
    """Make the session, leave it, and queue messages for it."""
    absent = client_for(url, "bench", clean=True, expiry_s=3_600)
    granted = threading.Event()
    absent.on_subscribe = lambda *_: granted.set()
    for each in topics.service_filters():
        absent.subscribe(each, 1)
    assert granted.wait(10.0)
    time.sleep(0.2)
    absent.disconnect()
    absent.loop_stop()
    sender = client_for(url, "sender")
    last = None
    for number in range(count):
        unit, sq = UNITS[number % len(UNITS)], number // len(UNITS)
        last = sender.publish(topics.topic(unit, "up/data"), encode_pack([sample_of(unit, sq)]), 1)
    last.wait_for_publish(60.0)
    time.sleep(0.3)
    sender.disconnect()
    sender.loop_stop()


def run_arm(arm, count):
    """Run one arm in a fresh process on a fresh broker; return messages/s and CPU µs per message."""
    with tempfile.TemporaryDirectory(dir=os.environ.get("BENCH_DIR")) as folder:
        with running_broker(Path(folder)) as broker:
            queue_up(broker.url, count)
            done = subprocess.run(
                [
                    *(sys.executable, "-m", "tests.bench.bench_ingest", "--arm", arm, "--url", broker.url),
                    *("--count", str(count), "--folder", folder),
                ],
                cwd=ROOT,
                capture_output=True,
                text=True,
                check=False,
                timeout=400,
            )
        if done.returncode:
            raise RuntimeError(done.stderr[-3000:])
        return tuple(json.loads(done.stdout.splitlines()[-1]))


def fdatasync_ms(folder):
    """Return the median time of making one small write durable on this disk."""
    path = Path(folder) / "sync"
    times = []
    with path.open("wb", buffering=0) as file:
        for _ in range(60):
            file.write(b"x" * 4096)
            start = time.perf_counter()
            os.fdatasync(file.fileno())
            times.append((time.perf_counter() - start) * 1000)
    return statistics.median(times)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--check", action="store_true", help="exit 1 below target")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--arm", choices=["bare", "durable", "single"])
    parser.add_argument("--url")
    parser.add_argument("--count", type=int, default=MESSAGES)
    parser.add_argument("--folder")
    options = parser.parse_args()
    if options.arm == "bare":
        print(json.dumps(bare_arm(options.url, options.count)))
        return 0
    if options.arm:
        batch = 1 if options.arm == "single" else ACK_EVERY
        print(json.dumps(durable_arm(options.url, options.count, options.folder, batch)))
        return 0
    return compare(options)


def compare(options):
    results = {"bare": [], "durable": [], "single": []}
    with tempfile.TemporaryDirectory(dir=os.environ.get("BENCH_DIR")) as folder:
        syncs = [fdatasync_ms(folder)]
        for _ in range(options.rounds):
            for arm, count in (("bare", MESSAGES), ("durable", MESSAGES), ("single", SINGLE_MESSAGES)):
                results[arm].append(run_arm(arm, count))
            syncs.append(fdatasync_ms(folder))
    rate = {arm: statistics.median(each[0] for each in runs) for arm, runs in results.items()}
    cpu = {arm: statistics.median(each[1] for each in runs) for arm, runs in results.items()}
    pairs = [d[0] / b[0] for d, b in zip(results["durable"], results["bare"], strict=True)]
    sync_ms = statistics.median(syncs)
    ratio = statistics.median(pairs)  # each pair ran back to back, under the same load
    gain = statistics.median(d[0] / s[0] for d, s in zip(results["durable"], results["single"], strict=True))
    for arm, runs in results.items():
        each = [round(run[0]) for run in runs]
        print(f"{arm:8} {rate[arm]:8.0f} messages/s  {cpu[arm]:6.0f} CPU µs/message  of {each}")
    medians = rate["durable"] / rate["bare"]
    print(
        f"durable / bare: {ratio:.2f}, median of pairs {[round(pair, 2) for pair in pairs]};"
        f" of the medians {medians:.2f} (target {LEAST_RATIO})"
    )
    promised = sync_ms >= SLOW_DISK_MS
    note = "" if promised else ": not promised"
    print(
        f"durable / one commit per message: {gain:.1f} (target {LEAST_BATCH_GAIN:.0f} where"
        f" fdatasync takes ≥ {SLOW_DISK_MS:.0f} ms; its median here is {sync_ms:.2f} ms{note})"
    )
    met = ratio >= LEAST_RATIO and (gain >= LEAST_BATCH_GAIN or not promised)
    print("met" if met else "NOT met")
    return 0 if met or not options.check else 1


if __name__ == "__main__":
    sys.exit(main())
