"""A simulated fleet with faults of memory, clock and way, through a real broker into the real ingest."""

import json
import threading

import numpy as np
import pytest

from firmware_sim import clock
from firmware_sim.firmware import sender
from firmware_sim.firmware.address import BrokerAt
from firmware_sim.run import run_fleet
from services.ingest import repair, worker
from tests.helpers.broker import running_broker
from tests.helpers.ingest_thread import running_ingest
from tests.helpers.small_fleet import SCENARIO, write_small_fleet

pytestmark = pytest.mark.integration

MEAT, FROZEN = "cart-meat", "hall-frozen"
HOUR_MS = 3_600_000

FAULTS = """
[[fault]]
kind = "duplicated_delivery"
unit = "cart-meat"
begins_h_before = 12
[[fault]]
kind = "reordered_delivery"
unit = "cart-meat"
begins_h_before = 12
[[fault]]
kind = "clock_reset"
unit = "cart-meat"
begins_h_before = 8
[[fault]]
kind = "flash_corruption"
unit = "hall-frozen"
begins_h_before = 6
[[fault]]
kind = "sensor_open"
unit = "hall-frozen"
begins_h_before = 4
lasts_h = 1
[[fault]]
kind = "swapped_identity"
unit = "cart-meat"
other = "hall-frozen"
begins_h_before = 2
"""


@pytest.fixture(autouse=True)
def impatient(monkeypatch):
    monkeypatch.setattr(repair, "GAP_PATIENCE_MS", 1_000)
    monkeypatch.setattr(worker, "GAPS_S", 0.3)
    monkeypatch.setattr(sender, "RESEND_AFTER_S", 3.0)


def _events(store, unit):
    bodies = [
        json.loads(each.body)
        for each in store.messages_after(0)
        if each.leaf == "up/event" and each.unit == unit
    ]
    return [(body["kind"], body.get("detail")) for body in bodies]


def test_every_fault_of_memory_clock_and_way_arrives_as_what_it_is(tmp_path):
    path = write_small_fleet(tmp_path, scenario=SCENARIO + FAULTS)
    stop, seen = threading.Event(), []
    begun_ms = clock.now_ms()
    with (
        running_broker(tmp_path) as broker,
        running_ingest(broker.url, tmp_path, known={MEAT, FROZEN}) as running,
    ):
        fleet = threading.Thread(
            target=run_fleet,
            args=(path, BrokerAt.of(broker.url)),
            kwargs={
                "state_dir": tmp_path / "state",
                "history_days": 1.0,
                "stop": stop,
                "progress": seen.append,
                "now_ms": lambda: begun_ms,
            },
        )
        fleet.start()
        try:
            assert running.wait_for(
                lambda: (
                    bool(seen) and seen[-1]["total"] > 2800 and seen[-1]["confirmed"] == seen[-1]["total"]
                ),
                60.0,
            )
        finally:
            stop.set()
            fleet.join(30.0)
        assert not fleet.is_alive()
        store = running.store
        meat, frozen = store.read(MEAT, 0, 2**62), store.read(FROZEN, 0, 2**62)

        # Repeats and overtaking: every sample once, none refused.
        assert running.counters["duplicates"] > 0
        assert (running.counters["conflicts"], store.quarantine_count()) == (0, 0)
        assert np.unique(np.diff(meat.t_ms)).tolist() == [60_000]
        assert len(meat) >= 1439

        # The clock that fell out: a boot of its own, its first samples dated afterwards.
        assert ("boot", "clock lost") in _events(store, MEAT)
        assert sorted(store.marks(MEAT)) == [1, 2, 3]

        # The bad page: told, asked for, declared gone; as many samples missing as it says.
        details = [detail for kind, detail in _events(store, FROZEN) if kind == "memory_bad"]
        skipped = [(each.bid, each.from_sq, each.to_sq) for each in store.skipped(FROZEN)]
        assert details == [f"samples {a} to {b} of boot {bid} are gone" for bid, a, b in skipped]
        assert len(skipped) == 1
        missing = skipped[0][2] - skipped[0][1] + 1
        assert len(frozen) + missing >= 1439
        assert int(np.diff(frozen.t_ms).max()) == 60_000 * (missing + 1)

        # The probe torn off: no value for an hour, two events.
        gap = frozen.between(begun_ms - 4 * HOUR_MS + 1_200_000, begun_ms - 3 * HOUR_MS - 1_200_000)
        assert len(gap) > 10
        assert np.isnan(gap.numbers("cabinet_c")).all()
        kinds = [kind for kind, _ in _events(store, FROZEN)]
        assert (kinds.count("sensor_failed"), kinds.count("sensor_back")) == (1, 1)

        # The boards exchanged: each name now tells of the other's cabinet.
        late_ms = begun_ms - HOUR_MS
        assert np.nanmean(meat.between(late_ms, 2**62).numbers("cabinet_c")) < -10.0
        assert np.nanmean(frozen.between(late_ms, 2**62).numbers("cabinet_c")) > -2.0
        before = meat.between(begun_ms - 5 * HOUR_MS, begun_ms - 3 * HOUR_MS)
        assert np.nanmean(before.numbers("cabinet_c")) > -2.0
