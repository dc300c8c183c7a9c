"""Simulated units against a real broker; the service's side is played here, message by message."""

import json
import secrets
import threading
import time
from collections import defaultdict
from contextlib import contextmanager

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from firmware_sim import clock
from firmware_sim.firmware import sender
from firmware_sim.firmware.address import BrokerAt
from firmware_sim.firmware.flash import FileFlash
from firmware_sim.firmware.settings import SettingsStore
from firmware_sim.run import run_fleet
from services.telemetry.packs import decode_pack
from services.telemetry.topics import parse, service_filters, topic
from tests.helpers.boards import kept_by, pages_of
from tests.helpers.broker import Broker, running_broker
from tests.helpers.small_fleet import FLEET, SCENARIO, write_small_fleet

pytestmark = pytest.mark.integration

UNIT = "cart-meat"
CHANNELS = ("cabinet", "battery", "compressor", "ambient", "lid", "product", "current", "bank")
WITHIN_S = 25.0


def _until(condition, within_s=WITHIN_S):
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        if condition():
            return True
        time.sleep(0.05)
    return False


class Listener:
    """Takes what units send and, when told to, confirms what it holds."""

    def __init__(self, url, *, confirm_to=None):
        self.messages = []
        self.held = defaultdict(dict)
        self.confirm_to = confirm_to
        self._client = Client(
            CallbackAPIVersion.VERSION2, client_id="listener", protocol=MQTTProtocolVersion.MQTTv5
        )
        self._client.on_connect = lambda client, *_: client.subscribe([(f, 1) for f in service_filters()])
        self._client.on_message = self._take
        session = Properties(PacketTypes.CONNECT)
        session.SessionExpiryInterval = 600
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", int(url.rsplit(":", 1)[1]), clean_start=False, properties=session)
        self._client.loop_start()

    def _take(self, _client, _user, message):
        where = parse(message.topic)
        self.messages.append((where.unit, where.leaf, message))
        if where.leaf not in {"up/data", "up/bulk"}:
            return
        pack = decode_pack(message.topic, message.payload, received_ms=clock.now_ms(), expiry_left_s=None)
        assert not pack.undecodable
        assert not pack.rejected
        for sample in pack.samples:
            self.held[(where.unit, sample.bid)][sample.sq] = sample
        if self.confirm_to is not None:
            self.confirm(where.unit)

    def confirm(self, unit):
        acks = []
        for (owner, bid), samples in list(self.held.items()):
            mark = -1
            while mark + 1 in samples and mark < self.confirm_to:
                mark += 1
            if owner == unit and mark >= 0:
                acks.append({"bid": bid, "sq": mark})
        payload = json.dumps({"v": 1, "acks": acks, "skipped": []})
        self._client.publish(topic(unit, "down/ack"), payload, qos=1, retain=True)

    def command(self, name, *, correlation=None, **args):
        properties = Properties(PacketTypes.PUBLISH)
        properties.ResponseTopic = topic(UNIT, "up/resp")
        properties.CorrelationData = correlation or secrets.token_bytes(16)
        properties.MessageExpiryInterval = 60
        payload = json.dumps({"name": name, "args": args})
        self._client.publish(topic(UNIT, "down/cmd"), payload, qos=1, properties=properties)
        return properties.CorrelationData

    def leaves(self, unit=UNIT):
        return [leaf for owner, leaf, _ in list(self.messages) if owner == unit]

    def replies(self, correlation):
        return [
            json.loads(message.payload)
            for _, leaf, message in list(self.messages)
            if leaf == "up/resp" and message.properties.CorrelationData == correlation
        ]

    def close(self):
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def _listening(url, **how):
    listener = Listener(url, **how)
    try:
        yield listener
    finally:
        listener.close()


@contextmanager
def _running(path, url, folder, *, now_ms=clock.now_ms, days=0.25):
    stop, seen, failed = threading.Event(), [], []

    def work():
        try:
            run_fleet(
                path,
                BrokerAt.of(url),
                state_dir=folder,
                history_days=days,
                stop=stop,
                progress=seen.append,
                now_ms=now_ms,
            )
        except BaseException as error:
            failed.append(error)
            raise

    thread = threading.Thread(target=work)
    thread.start()
    try:
        yield seen
    finally:
        stop.set()
        thread.join(timeout=30.0)
    assert not thread.is_alive()
    assert not failed


def _kept(folder):
    return kept_by(folder, UNIT, CHANNELS)


def _all_in(listener, bid=1, count=360):
    samples = listener.held[(UNIT, bid)]
    return len(samples) >= count and sorted(samples) == list(range(len(samples)))


def test_a_unit_says_its_status_then_one_live_sample_then_the_backlog_oldest_first(tmp_path):
    path, begun_ms = write_small_fleet(tmp_path), clock.now_ms()
    with (
        running_broker(tmp_path) as broker,
        _listening(broker.url, confirm_to=10**9) as listener,
        _running(path, broker.url, tmp_path / "state", now_ms=lambda: begun_ms),
    ):
        assert _until(lambda: _all_in(listener))
        first = [(leaf, message) for unit, leaf, message in listener.messages if unit == UNIT]
        assert [leaf for leaf, _ in first[:4]] == ["status", "up/event", "up/data", "up/bulk"]
        status = json.loads(first[0][1].payload)
        assert (status["s"], status["bid"]) == ("on", 1)
        live = decode_pack(first[2][1].topic, first[2][1].payload, received_ms=0, expiry_left_s=None)
        assert [sample.sq for sample in live.samples] == [359]
        bulk = [
            decode_pack(message.topic, message.payload, received_ms=0, expiry_left_s=None).samples
            for leaf, message in first
            if leaf == "up/bulk"
        ]
        assert [samples[0].sq for samples in bulk] == [0, 60, 120, 180, 240, 300]
        assert max(len(samples) for samples in bulk) == 60


def test_only_ten_packs_go_unconfirmed_and_only_confirmed_samples_are_freed(tmp_path):
    path, folder = write_small_fleet(tmp_path), tmp_path / "state"
    with running_broker(tmp_path) as broker, _listening(broker.url) as listener:
        with _running(path, broker.url, folder, days=1.0):
            assert _until(lambda: listener.leaves().count("up/bulk") == 10)
            time.sleep(1.0)
            assert listener.leaves().count("up/bulk") == 10
            assert _kept(folder)[0].freed == 0
            listener.confirm_to = 99
            listener.confirm(UNIT)
            assert _until(lambda: _kept(folder)[0].freed == 100)
            # One pack of ten is confirmed whole, the second in part: one more may go.
            assert _until(lambda: listener.leaves().count("up/bulk") == 11)
            time.sleep(0.5)
            assert listener.leaves().count("up/bulk") == 11
        counts, oldest = _kept(folder)
        assert (counts.freed, oldest["sq"][0], counts.lost) == (100, 100, 0)


def test_a_restarted_unit_sends_what_was_not_confirmed_and_counts_its_boot_up(tmp_path):
    path, folder = write_small_fleet(tmp_path), tmp_path / "state"
    begun_ms = clock.now_ms()
    with running_broker(tmp_path) as broker:
        with (
            _listening(broker.url, confirm_to=99) as listener,
            _running(path, broker.url, folder, now_ms=lambda: begun_ms),
        ):
            assert _until(lambda: _kept_freed(folder) == 100)
        with (
            _listening(broker.url, confirm_to=10**9) as listener,
            _running(path, broker.url, folder, now_ms=lambda: begun_ms + 1_800_000),
        ):
            assert _until(lambda: _all_in(listener, bid=2, count=30))
            assert _until(lambda: set(range(100, 360)) <= set(listener.held[(UNIT, 1)]))
            # The marks are retained at the broker and reach the unit after it began: what they confirm
            # may be sent once more, never less than what they leave open.
            times = [sample.t_ms for sample in listener.held[(UNIT, 2)].values()]
            assert min(times) > max(sample.t_ms for sample in listener.held[(UNIT, 1)].values())


def test_samples_taken_without_a_network_arrive_when_it_comes(tmp_path):
    path, folder = write_small_fleet(tmp_path), tmp_path / "state"
    broker = Broker(tmp_path / "broker")
    broker.start()
    broker.stop()
    with _running(path, broker.url, folder) as seen:
        assert _until(lambda: bool(seen) and seen[-1]["total"] >= 720)
        assert seen[-1]["sent"] == 0
        broker.start()
        try:
            with _listening(broker.url, confirm_to=10**9) as listener:
                assert _until(lambda: _all_in(listener))
                assert _until(lambda: _kept(folder)[0].freed >= 360)
        finally:
            broker.stop()


def test_nothing_is_lost_when_the_broker_dies_hard_in_the_middle(tmp_path, monkeypatch):
    """What the broker took with it is sent again, at the latest when nothing was confirmed for a while."""
    monkeypatch.setattr(sender, "RESEND_AFTER_S", 2.0)
    path, folder = write_small_fleet(tmp_path), tmp_path / "state"
    with (
        running_broker(tmp_path) as broker,
        _listening(broker.url) as listener,
        _running(path, broker.url, folder, days=1.0),
    ):
        assert _until(lambda: listener.leaves().count("up/bulk") >= 5)
        broker.restart(hard=True, down_s=0.5)
        listener.held.clear()
        listener.confirm_to = 10**9
        assert _until(lambda: _all_in(listener, count=1440))
        assert _until(lambda: _kept(folder)[0].freed >= 1440)


def test_commands_are_answered_once_and_to_whom_they_came_from(tmp_path):
    path, folder = write_small_fleet(tmp_path), tmp_path / "state"
    with (
        running_broker(tmp_path) as broker,
        _listening(broker.url, confirm_to=10**9) as listener,
        _running(path, broker.url, folder),
    ):
        assert _until(lambda: _kept_freed(folder) >= 360)
        asked = listener.command("status")
        assert _until(lambda: len(listener.replies(asked)) == 1)
        assert listener.replies(asked)[0]["result"] == "done"

        listener.held.clear()
        asked = listener.command("backfill", bid=1, **{"from": 50, "to": 149})
        assert _until(lambda: set(listener.held[(UNIT, 1)]) >= set(range(50, 150)))
        listener.command("backfill", correlation=asked, bid=1, **{"from": 50, "to": 149})
        gone = listener.command("backfill", bid=9, **{"from": 0, "to": 5})
        assert _until(lambda: listener.replies(gone) != [])
        assert listener.replies(gone)[0]["result"] == "gone"
        assert len(listener.replies(asked)) == 1

        asked = listener.command("set", interval_s=120)
        assert _until(lambda: listener.replies(asked) != [])
        assert _settings(folder).interval_s == 120


def _kept_freed(folder):
    return _kept(folder)[0].freed if (folder / f"{UNIT}.flash").exists() else 0


def _settings(folder):
    flash = FileFlash(folder / f"{UNIT}.flash", pages=pages_of(CHANNELS))
    try:
        return SettingsStore(flash, pages=(0, 1)).settings
    finally:
        flash.close()


def test_a_reboot_from_afar_begins_a_new_boot_with_samples_from_zero(tmp_path):
    fleet = FLEET.replace("restart_v = 12.5", "restart_v = 11.8")  # charged enough at any time of day
    path, folder = write_small_fleet(tmp_path, fleet=fleet), tmp_path / "state"
    begun_ms = clock.now_ms()
    ahead_ms = [0]
    with (
        running_broker(tmp_path) as broker,
        _listening(broker.url, confirm_to=10**9) as listener,
        _running(path, broker.url, folder, now_ms=lambda: begun_ms + ahead_ms[0]),
    ):
        assert _until(lambda: _kept_freed(folder) >= 360)
        asked = listener.command("reboot")
        assert _until(lambda: listener.replies(asked) != [])
        assert listener.replies(asked)[0]["result"] == "done"
        assert _until(lambda: listener.leaves().count("up/event") == 2)
        ahead_ms[0] = 300_000
        assert _until(lambda: _all_in(listener, bid=2, count=5))
        assert _until(lambda: _kept_freed(folder) >= 365)
        boots = [
            json.loads(m.payload)["bid"]
            for u, leaf, m in listener.messages
            if (u, leaf) == (UNIT, "up/event")
        ]
        assert boots == [1, 2]


def test_a_unit_out_of_coverage_sends_the_rest_when_it_comes_home(tmp_path):
    event = '[[unit.event]]\nkind = "out_of_coverage"\nbegins_h_before = 2\nlasts_h = 2.002\n'
    scenario = SCENARIO.replace('[[unit]]\nid = "hall-frozen"', event + '[[unit]]\nid = "hall-frozen"')
    path, folder = write_small_fleet(tmp_path, scenario=scenario), tmp_path / "state"
    with running_broker(tmp_path) as broker, _listening(broker.url, confirm_to=10**9) as listener:
        begun_ms = clock.now_ms()
        with _running(path, broker.url, folder):
            assert _until(lambda: _kept_freed(folder) >= 239)
            assert clock.now_ms() - begun_ms < 7_000
            before = set(listener.held[(UNIT, 1)])
            assert len(before) in {239, 240, 241}
            assert _until(lambda: _all_in(listener))
            assert clock.now_ms() - begun_ms >= 7_000
