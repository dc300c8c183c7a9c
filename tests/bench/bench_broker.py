"""What floods do to others, and herds to the broker: python -m tests.bench.bench_broker [--check].

Flood: one unit sends over TLS as fast as the broker takes it; another sends a sample now and then. How long
until that sample is durable, with the cap and without. Herd: five hundred units lose their broker in the
same instant; most attempts in half a second with the firmware's back-off, and with units that all knock
every half second.
"""

import argparse
import logging
import statistics
import sys
import tempfile
import time
from pathlib import Path

import psutil
import structlog

from deploy import password_file, provisioning
from deploy.broker_setup import write_private
from firmware_sim.firmware.backoff import BackOff
from services.ingest import gate
from services.store.sqlite import SqliteReader
from services.telemetry import topics
from services.telemetry.packs import encode_pack
from services.tls import client_context
from tests.helpers.crowd import Crowd, Eager
from tests.helpers.flood import flood
from tests.helpers.ingest_thread import running_ingest
from tests.helpers.secure_broker import knock, secure_broker, wait_for
from tests.helpers.units import sample_of

MEAT, FISH = "v3-meat", "v3-fish"
UNITS = 500
PATIENCE_S = 30.0
WITHOUT_CAP = 1e12
LEAST_FLOOD_GAIN = 10.0
LEAST_HERD_GAIN = 4.0


def flood_arm(cap_per_s, burst, probes):
    """Return the median time until another unit's sample is durable, and messages a second meanwhile."""
    gate.CAP_PER_S, gate.BURST = cap_per_s, burst
    folder = Path(tempfile.mkdtemp(prefix="bench-"))
    with secure_broker(folder) as house:
        house.secrets = {unit: house.secret_of(unit) for unit in (MEAT, FISH)}
        context = client_context(house.folder.ca)
        provisioning.tell_broker(house.folder)
        time.sleep(1.0)
        with running_ingest(house.service(), folder, known={MEAT, FISH}) as running:
            fish = knock(house.port, user=FISH, password=house.secrets[FISH], context=context)
            reader = SqliteReader(folder / "telemetry.db")
            with flood(house, MEAT):
                running.wait_for(lambda: running.counters["received"] > 3_000, 30.0)
                before, began_s, delays_s = running.counters["received"], time.monotonic(), []
                for sq in range(probes):
                    sent_s = time.monotonic()
                    fish.publish(topics.topic(FISH, "up/data"), encode_pack([sample_of(FISH, sq)]))
                    while reader.marks(FISH).get(1, -1) < sq and time.monotonic() - sent_s < PATIENCE_S:
                        time.sleep(0.01)
                    delays_s.append(time.monotonic() - sent_s)
                rate = (running.counters["received"] - before) / (time.monotonic() - began_s)
            reader.close()
            fish.leave()
    return statistics.median(delays_s), rate


def herd_arm(back_off):
    """Return most attempts within half a second, seconds until all are back, and the broker's CPU seconds."""
    with secure_broker(Path(tempfile.mkdtemp(prefix="bench-"))) as house:
        secrets = {f"herd-{number:03d}": f"secret-{number}" for number in range(UNITS)}
        lines = "".join(password_file.line(unit, secret) for unit, secret in secrets.items())
        write_private(house.folder.passwords, lines.encode(), owner=house.folder.owner)
        provisioning.tell_broker(house.folder)
        time.sleep(1.0)
        crowd = Crowd("127.0.0.1", house.port, client_context(house.folder.ca), secrets, back_off=back_off)
        crowd.start()
        assert wait_for(lambda: len(crowd.connected) == UNITS, 120.0)
        house.stop()
        wait_for(lambda: not crowd.connected, 20.0)
        lost_s = crowd.now_s()
        house.start()
        began_s = time.monotonic()
        assert wait_for(lambda: len(crowd.connected) == UNITS, 120.0)
        took_s = time.monotonic() - began_s
        spent = psutil.Process(house.process.pid).cpu_times()
        crowd.stop()
        return crowd.peak(0.5, since_s=lost_s - 1.0), took_s, spent.user + spent.system


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--check", action="store_true", help="exit 1 below the targets")
    options = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    capped_s, rate = flood_arm(gate.CAP_PER_S, gate.BURST, 20)
    free_s, free_rate = flood_arm(WITHOUT_CAP, WITHOUT_CAP, 3)
    print(
        f"flood, capped:   another's sample durable after {capped_s:.2f} s (median), {rate:,.0f} messages/s"
    )
    print(f"flood, uncapped: after {free_s:.2f} s (given up at {PATIENCE_S:g}), {free_rate:,.0f} messages/s")
    spread, spread_s, cpu_s = herd_arm(BackOff)
    alike, alike_s, alike_cpu_s = herd_arm(Eager)
    print(f"herd, firmware:  at most {spread} in 0.5 s, all back in {spread_s:.1f} s, CPU {cpu_s:.2f} s")
    print(f"herd, all alike: at most {alike}, all back in {alike_s:.1f} s, CPU {alike_cpu_s:.2f} s")
    enough = free_s / capped_s >= LEAST_FLOOD_GAIN and alike / spread >= LEAST_HERD_GAIN
    print(f"gain, flood: {free_s / capped_s:.0f} (target {LEAST_FLOOD_GAIN:g})")
    print(f"gain, herd:  {alike / spread:.1f} (target {LEAST_HERD_GAIN:g})")
    sys.exit(0 if enough or not options.check else 1)


if __name__ == "__main__":
    main()
