"""What the InfluxDB store does when the server refuses, is silent, dies or comes back, on a real one."""

import contextlib
import random
import subprocess
import sys
import threading
import time

import orjson
import pytest
import structlog

from services.errors import DependencyUnavailable
from services.store import Batch, Reject
from services.store.bins import Grid
from services.store.influx import InfluxReader, InfluxStore
from services.store.influx_bins import hourly_of
from services.store.influx_server import InfluxRefused
from services.telemetry import Rejected, Sample
from services.timebase import HOUR_MS
from tests.helpers.influx_server import InfluxServer

pytestmark = pytest.mark.integration

UNIT = "v3-meat"
START_MS = 1_760_000_000_000
EVER = (0, 2**62)


def sample(sq, *, bid=1, t_ms=None, tq=2, up_s=None, **values):
    t_ms = START_MS + sq * 60_000 if t_ms is None else t_ms
    return Sample(UNIT, bid, sq, t_ms, tq, values or {"cabinet": 3.0 + sq / 10, "compressor": True}, up_s)


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    made = InfluxServer(tmp_path_factory.mktemp("influx"), max_body=2_000).start()
    yield made
    made.stop()


@pytest.fixture
def bucket(server, request):
    name = request.node.name[:60]
    server.ask(f'CREATE DATABASE "{name}"')
    return name


@pytest.fixture
def store(server, bucket, tmp_path):
    made = InfluxStore(server.access(bucket, timeout_s=2.0), tmp_path / "ledger.db")
    yield made
    made.close()


def on_server(server, bucket, what="*"):
    """Return the points of a bucket as the server itself tells them, by column."""
    query = f"SELECT {what} FROM samples"  # noqa: S608 - our own words
    (result,) = orjson.loads(server.ask(query, database=bucket))["results"]
    series = result.get("series", [])
    return (
        [dict(zip(series[0]["columns"], row, strict=True)) for row in series[0]["values"]] if series else []
    )


def test_numbers_are_kept_whole_in_thousandths_and_texts_as_fields(server, bucket, store):
    store.append([sample(0, cabinet=-0.1, battery=12.345, compressor=False, fault="fan")], received_ms=7)
    (point,) = on_server(server, bucket)
    kept = {name: value for name, value in point.items() if value is not None and name != "time"}
    assert kept == {
        "unit": UNIT, "bid": 1, "sq": 0, "tq": 2, "received_ms": 7,
        "cabinet_mc": -100, "battery_mv": 12345, "compressor_on": 0, "fault": "fan",
    }  # fmt: skip
    types = orjson.loads(server.ask("SHOW FIELD KEYS", database=bucket))["results"][0]["series"][0]["values"]
    assert dict(types)["cabinet_mc"] == "integer"


def test_a_field_of_another_type_there_is_quarantined_and_the_rest_of_the_sample_stored(
    server, bucket, store
):
    server.write(bucket, f"samples,unit=other cabinet_mc=3.5 {START_MS}000000")
    samples = [
        sample(sq, battery=12.0) if sq % 10 else sample(sq, cabinet=3.0, battery=11.0) for sq in range(50)
    ]
    done = store.append(samples, received_ms=8)
    assert (done.stored, done.conflicts) == (50, 0)
    assert store.marks(UNIT) == {1: 49}
    series = store.read(UNIT, *EVER)
    assert series.numbers("battery_v").tolist() == [11.0 if sq % 10 == 0 else 12.0 for sq in range(50)]
    assert not series.has("cabinet_c")
    kept = store.quarantine()
    assert sorted(each.rejected.sq for each in kept) == [0, 10, 20, 30, 40]
    assert {(each.rejected.reason, each.rejected.channel) for each in kept} == {("server_refused", "cabinet")}
    assert all("field type conflict" in each.rejected.detail for each in kept), "in the server's words"
    assert orjson.loads(kept[0].payload)["values"] == {"cabinet_c": 3.0}


def test_samples_the_server_will_never_have_are_quarantined_whole_and_count_as_held(server, bucket, store):
    server.ask(f'ALTER RETENTION POLICY autogen ON "{bucket}" DURATION 3d SHARD DURATION 1d')
    now_ms = time.time_ns() // 1_000_000
    fresh = [sample(sq, t_ms=now_ms - 1_000 * (20 - sq)) for sq in range(20)]
    old = [sample(sq, t_ms=START_MS - 1_000 * sq) for sq in (20, 21, 22)]
    done = store.append([*fresh[:10], *old, *fresh[10:]], received_ms=8)
    assert done.stored == 20
    assert len(on_server(server, bucket, "sq")) == 20
    assert store.marks(UNIT) == {1: 22}, "nobody is to send them again"
    assert sorted(each.rejected.sq for each in store.quarantine()) == [20, 21, 22]
    assert all("retention" in each.rejected.detail for each in store.quarantine())
    assert store.changes_after(0) != []


def test_what_is_too_large_for_one_request_goes_in_several(store):
    rng = random.Random(5)  # noqa: S311 - readings, not secrets
    noisy = [sample(sq, cabinet=rng.uniform(-30, 30), ambient=rng.uniform(0, 50)) for sq in range(1_000)]
    assert store.append(noisy, received_ms=7).stored == 1_000
    assert store.quarantine_count() == 0
    assert len(store.read(UNIT, *EVER)) == 1_000


@pytest.mark.parametrize("wrong", ["password", "bucket"])
def test_a_server_that_will_not_have_us_is_said_once_and_nothing_counts_as_stored(
    server, bucket, tmp_path, wrong
):
    access = server.access("nowhere" if wrong == "bucket" else bucket, password="cold")  # noqa: S106
    if wrong == "bucket":
        access = server.access("nowhere")
    store = InfluxStore(access, tmp_path / "ledger.db")
    with structlog.testing.capture_logs() as said:
        for _ in range(3):
            with pytest.raises(InfluxRefused, match=r"influx_token|influx_bucket"):
                store.append([sample(0)], received_ms=7)
    assert len([each for each in said if each["event"] == "store.influx.refused"]) == 1
    assert store.marks(UNIT) == {}
    assert store.quarantine_count() == 0
    with pytest.raises(InfluxRefused):
        store.check()
    store.close()
    mended = InfluxStore(server.access(bucket), tmp_path / "ledger.db")
    assert mended.append([sample(0)], received_ms=7).stored == 1
    mended.close()


def test_a_silent_server_leaves_nothing_held_and_sending_again_doubles_nothing(server, store):
    store.append([sample(0)], received_ms=7)
    reject = Reject(Rejected("undecodable", "no pack", UNIT), "t", b"", 7)
    server.freeze()
    try:
        for _ in range(2):
            with pytest.raises(DependencyUnavailable):
                store.commit(Batch(samples=[sample(1), sample(2)], rejects=[reject]), received_ms=7)
        assert store.marks(UNIT) == {1: 0}
        assert store.quarantine_count() == 0, "what came with them is not written down twice"
    finally:
        server.thaw()
    assert store.append([sample(1), sample(2)], received_ms=7).stored == 2
    assert store.read(UNIT, *EVER).t_ms.tolist() == [START_MS + sq * 60_000 for sq in range(3)]
    assert store.marks(UNIT) == {1: 2}


DIES_BETWEEN = """
import os, sys, json
from services.store.influx import InfluxStore
from services.store.influx_server import InfluxAccess
from services.telemetry import Sample
where, access, kind, moment = sys.argv[1], json.loads(sys.argv[2]), sys.argv[3], sys.argv[4]
store = InfluxStore(InfluxAccess(**access), where)
whole = getattr(InfluxStore, moment)
def dying(self, *given):
    whole(self, *given)
    os._exit(9)
setattr(InfluxStore, moment, dying)
store.append([Sample(*each) for each in json.loads(kind)], received_ms=7)
"""


EARLY = [[UNIT, 1, sq, 1_000 * sq, 0, {"cabinet": float(sq)}, sq * 60.0] for sq in range(5)]
"""Samples taken before the clock was set; those after them say when the boot began."""
LATE = [[UNIT, 1, sq, START_MS + sq * 60_000, 2, {"cabinet": float(sq)}, sq * 60.0] for sq in range(5, 9)]
NINE = Grid(START_MS, START_MS + 9 * 60_000, START_MS - START_MS % HOUR_MS, 2 * HOUR_MS)


def die_at(moment, rows, server, bucket, ledger):
    """Append rows in a process that dies at the end of a step, before the ledger's commit."""
    access = server.access(bucket)
    given = {name: getattr(access, name) for name in ("url", "token", "org", "bucket", "auth_basic")}
    ended = subprocess.run(
        [sys.executable, "-c", DIES_BETWEEN, ledger, orjson.dumps(given), orjson.dumps(rows), moment],
        check=False,
    )
    assert ended.returncode == 9


def test_dying_between_the_servers_answer_and_the_ledger_neither_loses_nor_doubles(server, bucket, tmp_path):
    ledger = tmp_path / "ledger.db"
    for rows in (EARLY, [*EARLY, *LATE]):
        die_at("_keep", rows, server, bucket, ledger)
    with contextlib.closing(InfluxStore(server.access(bucket), ledger)) as store:
        assert store.marks(UNIT) == {}
        shifted = [
            [*row[:3], row[3] + 77, *row[4:]] for row in EARLY
        ]  # relative times differ when sent again
        done = store.append([Sample(*each) for each in (*shifted, *LATE)], received_ms=9)
        assert (done.stored, done.conflicts) == (9, 0)
        assert store.append([Sample(*each) for each in (*EARLY, *LATE)], received_ms=9).duplicates == 9
        series = store.read(UNIT, *EVER)
        assert series.t_ms.tolist() == [START_MS + sq * 60_000 for sq in range(9)]
        assert series.numbers("cabinet_c").tolist() == list(range(9))
    assert len(on_server(server, bucket, "sq")) == 9


@pytest.mark.parametrize("rolled_up", [False, True])
def test_dying_while_rows_go_to_the_server_doubles_them_in_no_chart(server, bucket, tmp_path, rolled_up):
    if rolled_up:
        server.ask(f'CREATE DATABASE "{hourly_of(bucket)}"')
    ledger, access = tmp_path / "ledger.db", server.access(bucket)
    die_at("_settle", [*EARLY, *LATE], server, bucket, ledger)
    assert len(on_server(server, bucket, "sq")) == 9, "all had gone"
    with contextlib.closing(InfluxReader(access, ledger)) as reader:
        assert reader._rows("SELECT count(*) FROM samples") == [(len(EARLY),)], "and none was deleted here"
        assert_nine(reader)
        assert reader.marks(UNIT) == {1: 8}
        with contextlib.closing(InfluxStore(access, ledger)) as store:
            while store.tidy(START_MS + 10 * HOUR_MS):
                pass
        assert reader._rows("SELECT count(*) FROM samples") == [(0,)], "the next run goes on with it"
        assert reader._rows("SELECT count(*) FROM stale_hours") == [(0 if rolled_up else 2,)]
        assert_nine(reader)


def assert_nine(reader):
    assert reader.read(UNIT, *EVER).t_ms.tolist() == [START_MS + sq * 60_000 for sq in range(9)]
    bins = reader.binned(UNIT, NINE, ["cabinet_c"])["cabinet_c"]
    assert bins.count.tolist() == [9]
    assert (bins.lowest[0], bins.mean[0], bins.highest[0]) == (0.0, 4.0, 8.0)


def test_samples_without_a_settled_time_wait_beside_the_ledger_and_are_read_all_the_same(
    server, bucket, store, tmp_path
):
    reader = InfluxReader(server.access(bucket), tmp_path / "ledger.db")
    store.append([sample(sq, tq=0, up_s=sq * 60.0, t_ms=5_000 + sq) for sq in (0, 1, 3)], received_ms=7)
    assert on_server(server, bucket) == []
    assert reader.read(UNIT, *EVER).t_ms.tolist() == [5_000, 5_001, 5_003]
    store.append([sample(4, up_s=240.0)], received_ms=8)
    assert len(on_server(server, bucket)) == 1, "number 2 may still say better when the boot began"
    expected = [START_MS + sq * 60_000 for sq in range(5)]
    assert reader.read(UNIT, *EVER).t_ms.tolist() == [expected[sq] for sq in (0, 1, 3, 4)]
    store.append([sample(2, tq=0, up_s=120.0, t_ms=9)], received_ms=9)
    assert sorted(point["sq"] for point in on_server(server, bucket, "sq")) == [0, 1, 2, 3, 4]
    assert store._rows("SELECT count(*) FROM samples") == [(0,)], "none waits any longer"
    assert reader.read(UNIT, *EVER).t_ms.tolist() == expected
    again = [sample(sq, tq=0, up_s=sq * 60.0, t_ms=77) for sq in range(4)]
    assert store.append(again, received_ms=9).duplicates == 4
    reader.close()


def test_one_reader_serves_several_threads(store):
    store.append([sample(sq) for sq in range(300)], received_ms=7)
    counts = []
    threads = [
        threading.Thread(target=lambda: counts.extend(len(store.read(UNIT, *EVER)) for _ in range(5)))
        for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20.0)
    assert counts == [300] * 20
