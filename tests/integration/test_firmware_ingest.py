"""Firmware, a real broker and the real ingest: what went wrong on the way changes nothing that is kept."""

import json

import numpy as np
import pytest

from firmware_sim import clock
from firmware_sim.firmware import sender
from firmware_sim.firmware.way import Air
from services.ingest import repair, worker
from tests.helpers.broker import running_broker
from tests.helpers.ingest_thread import running_ingest
from tests.helpers.rig import Rig, until

pytestmark = pytest.mark.integration

UNIT = "cart-meat"
COLUMNS = ("cabinet_c", "battery_v", "compressor_on")
HOUR_MS = 3_600_000


@pytest.fixture(autouse=True)
def impatient(monkeypatch):
    """Ten minutes would be long for a test."""
    monkeypatch.setattr(repair, "GAP_PATIENCE_MS", 1_000)
    monkeypatch.setattr(worker, "GAPS_S", 0.3)
    monkeypatch.setattr(sender, "RESEND_AFTER_S", 3.0)


@pytest.fixture
def make(tmp_path):
    made = []

    def _make(*, hours_ago=12, **build):
        rig = Rig(UNIT, tmp_path, begins_ms=clock.now_ms() - hours_ago * HOUR_MS, **build)
        made.append(rig)
        return rig

    yield _make
    for rig in made:
        rig.switch_off()


def _kept(store):
    series = store.read(UNIT, 0, 2**62)
    rows = zip(series.t_ms.tolist(), *(series.numbers(name).tolist() for name in COLUMNS), strict=True)
    return {t: values for t, *values in rows}, len(series)


def _is_the_truth(store, rig):
    kept, count = _kept(store)
    return count == len(rig.true) and kept == {t: list(values) for t, values in rig.true.items()}


def _events(store, kind):
    bodies = [json.loads(each.body) for each in store.messages_after(0) if each.leaf == "up/event"]
    return [body for body in bodies if body["kind"] == kind]


def test_samples_sent_before_the_clock_was_set_end_with_their_right_times(make, tmp_path):
    rig = make(backed_clock=False)
    rig.measure(150, network=False)
    with running_broker(tmp_path) as broker, running_ingest(broker.url, tmp_path, known={UNIT}) as running:
        with rig.on_air(broker.url):
            assert until(rig.all_confirmed)
            assert running.store.marks(UNIT) == {1: 149}
            rig.measure(10)
            assert until(rig.all_confirmed)
        assert running.wait_for(lambda: _is_the_truth(running.store, rig))
        assert running.store.quarantine_count() == 0


def test_samples_taken_before_the_clock_was_set_and_sent_after_it_have_their_right_times(make, tmp_path):
    rig = make(backed_clock=False)
    rig.measure(150, network=False)
    rig.measure(10)
    with running_broker(tmp_path) as broker, running_ingest(broker.url, tmp_path, known={UNIT}) as running:
        with rig.on_air(broker.url):
            assert until(rig.all_confirmed)
        assert _is_the_truth(running.store, rig)


def test_a_boot_that_never_had_a_clock_arrives_whole_and_undated(make, tmp_path):
    rig = make(backed_clock=False)
    rig.measure(20, network=False)
    undated = set(rig.true)
    rig.switch_off()
    rig.now_ms += HOUR_MS
    rig.boot()
    rig.measure(20)
    with running_broker(tmp_path) as broker, running_ingest(broker.url, tmp_path, known={UNIT}) as running:
        with rig.on_air(broker.url):
            assert until(rig.all_confirmed)
        assert running.store.marks(UNIT) == {1: 19, 2: 19}
        kept, count = _kept(running.store)
        assert count == 40
        dated = {t: list(values) for t, values in rig.true.items() if t not in undated}
        assert dated.items() <= kept.items()
        assert running.store.quarantine_count() == 0


def test_repeats_and_overtaking_change_nothing(make, tmp_path):
    rig = make(hours_ago=30)
    rig.measure(1500)
    with running_broker(tmp_path) as broker, running_ingest(broker.url, tmp_path, known={UNIT}) as running:
        with rig.on_air(broker.url) as radio:
            radio.way.becomes(Air(duplicate_share=0.5, reorder_share=0.5))
            for _ in range(20):
                rig.measure(5)
                until(lambda: False, 0.1)
            assert until(rig.all_confirmed, 40.0)
        assert running.counters["duplicates"] > 100
        assert running.counters["conflicts"] == 0
        assert running.store.marks(UNIT) == {1: 1599}
        assert _is_the_truth(running.store, rig)
        assert running.store.quarantine_count() == 0


def test_a_corrupted_page_is_told_and_its_samples_are_declared_gone(make, tmp_path):
    rig = make(hours_ago=14)
    rig.measure(400)
    whole = set(rig.firmware.ring.read(0, 10**6)["sq"].tolist())
    rig.flash.spoil(rig.firmware.ring.page_of(200), seed="x")
    rig.firmware.check_memory(rig.now_ms)
    left = set(rig.firmware.ring.read(0, 10**6)["sq"].tolist())
    first, last = min(whole - left), max(whole - left)
    assert last - first > 50
    with running_broker(tmp_path) as broker, running_ingest(broker.url, tmp_path, known={UNIT}) as running:
        with rig.on_air(broker.url):
            assert until(rig.all_confirmed)
        assert running.store.marks(UNIT) == {1: 399}
        skipped = [(each.bid, each.from_sq, each.to_sq, each.reason) for each in running.store.skipped(UNIT)]
        assert skipped == [(1, first, last, "gone")]
        (told,) = _events(running.store, "memory_bad")
        assert told["detail"] == f"samples {first} to {last} of boot 1 are gone"
        kept, _ = _kept(running.store)
        times = sorted(rig.true)
        assert set(kept) == {t for sq, t in enumerate(times) if sq in left}


def test_a_page_gone_bad_after_a_reboot_is_noticed_at_the_daily_look(make, tmp_path):
    rig = make(hours_ago=36)
    rig.measure(400)
    rig.switch_off()
    rig.boot()
    rig.flash.spoil(rig.firmware.ring.page_of(10), seed="y")
    rig.measure(1500)  # more than a day: memory is looked at
    with running_broker(tmp_path) as broker, running_ingest(broker.url, tmp_path, known={UNIT}) as running:
        with rig.on_air(broker.url):
            assert until(rig.all_confirmed)
        (told,) = _events(running.store, "memory_bad")
        assert "of boot 1 are gone" in told["detail"]
        assert [each.from_sq for each in running.store.skipped(UNIT)] == [0]
        assert running.store.marks(UNIT) == {1: 399, 2: 1499}


def test_a_step_of_the_clock_is_told_and_no_sample_is_lost_or_refused(make, tmp_path):
    rig = make()
    rig.measure(100)
    rig.measure(50, error_ms=-10 * 60_000)
    rig.measure(50)
    with running_broker(tmp_path) as broker, running_ingest(broker.url, tmp_path, known={UNIT}) as running:
        with rig.on_air(broker.url):
            assert until(rig.all_confirmed)
        assert running.store.marks(UNIT) == {1: 199}
        assert len(running.store.read(UNIT, 0, 2**62)) == 200
        assert [each["detail"] for each in _events(running.store, "clock_step")] == [
            "by -600 s",
            "by +600 s",
        ]
        assert running.store.quarantine_count() == 0


def test_power_lost_again_and_again_in_the_middle_of_sending_loses_nothing(make, tmp_path):
    rig = make(hours_ago=30)
    with running_broker(tmp_path) as broker, running_ingest(broker.url, tmp_path, known={UNIT}) as running:
        for _ in range(5):
            rig.measure(200)
            with rig.on_air(broker.url):
                until(lambda: running.counters["stored"] > 0, 0.4)
            rig.switch_off()
            rig.now_ms += 5 * 60_000
            rig.boot()
        with rig.on_air(broker.url):
            assert until(rig.all_confirmed)
        assert _is_the_truth(running.store, rig)
        assert running.store.marks(UNIT) == dict.fromkeys(range(1, 6), 199)
        assert running.counters["conflicts"] == 0
        boots = [each["bid"] for each in _events(running.store, "boot")]
        assert sorted(set(boots)) == [1, 2, 3, 4, 5, 6]


def test_out_of_reach_nothing_is_sent_and_all_comes_when_the_network_is_back(make, tmp_path):
    rig = make()
    rig.measure(50)
    with running_broker(tmp_path) as broker, running_ingest(broker.url, tmp_path, known={UNIT}) as running:
        with rig.on_air(broker.url) as radio:
            assert until(rig.all_confirmed)
            radio.way.becomes(Air(out=True))
            assert until(lambda: radio.held_back() == 0 and not radio._connected)
            rig.measure(70, network=False)
            until(lambda: False, 0.5)
            assert (radio.held_back(), running.store.marks(UNIT)) == (70, {1: 49})
            radio.way.becomes(Air())
            assert until(rig.all_confirmed)
            assert radio.held_back() == 0
        assert _is_the_truth(running.store, rig)


def test_a_unit_that_spares_its_link_sends_packs_at_its_times_and_events_at_once(make, tmp_path):
    rig = make(pack_s=4)
    rig.measure(30)
    with running_broker(tmp_path) as broker, running_ingest(broker.url, tmp_path, known={UNIT}) as running:
        with rig.on_air(broker.url) as radio:
            assert until(lambda: rig.all_confirmed() and not radio._connected)
            status = running.store.statuses()[UNIT]
            assert (status.s, status.next_s) == ("sleep", 4)
            rig.measure(20)
            sent = radio.sent
            rig.firmware.notice(np.array([rig.now_ms]), locked=np.array([True]))
            assert until(lambda: len(_events(running.store, "cut_out")) == 1, 3.0)
            assert radio.sent == sent  # the samples wait for their time
            assert until(rig.all_confirmed)
        assert _is_the_truth(running.store, rig)
        assert running.store.statuses()[UNIT].s == "sleep"


def test_a_new_board_under_an_old_name_begins_beyond_what_the_service_knows(make, tmp_path):
    rig = make()
    rig.measure(30)
    with running_broker(tmp_path) as broker, running_ingest(broker.url, tmp_path, known={UNIT}) as running:
        with rig.on_air(broker.url):
            assert until(rig.all_confirmed)
        rig.switch_off()
        rig.path.unlink()
        rig.boot()
        assert rig.firmware.bid == 1
        rig.measure(30)
        with rig.on_air(broker.url):
            assert until(lambda: rig.firmware.bid > 1 and rig.all_confirmed())
        assert running.counters["conflicts"] == 0
        assert _is_the_truth(running.store, rig)
