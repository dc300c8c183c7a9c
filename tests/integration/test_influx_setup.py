"""Setting an InfluxDB up, opening what the settings choose, and what charts get from samples and roll-up."""

import os
import subprocess
import sys

import numpy as np
import orjson
import pytest

from deploy import stores
from services.errors import ConfigurationError
from services.settings import Settings
from services.store.bins import gathered, grid
from services.store.influx import InfluxReader, InfluxStore
from services.telemetry import Sample
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.influx_server import InfluxServer

pytestmark = pytest.mark.integration

UNIT = "v3-meat"
START_MS = 1_760_000_000_000 - 1_760_000_000_000 % DAY_MS
COLUMNS = ["cabinet_c", "compressor_on", "product_c", "ambient_c"]


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    made = InfluxServer(tmp_path_factory.mktemp("influx")).start()
    yield made
    made.stop()


def settings_for(server, folder, **more):
    access = server.access(more.pop("bucket", "larder"))
    given = {"influx_url": access.url, "influx_bucket": access.bucket, "influx_token": access.token}
    return Settings.model_validate({"data": folder, "store": "influx", **given, **more})


def policies(server, database):
    (result,) = orjson.loads(server.ask(f'SHOW RETENTION POLICIES ON "{database}"'))["results"]
    return {row[0]: row[1] for row in result["series"][0]["values"]}


def test_the_command_makes_bucket_retention_and_roll_up_and_may_be_run_again(server, tmp_path):
    (tmp_path / "token").write_text(server.access("larder").token + "\n")
    settings = {"STORE": "influx", "INFLUX_URL": server.url, "INFLUX_TOKEN_FILE": str(tmp_path / "token")}
    settings |= {"INFLUX_BUCKET": "larder"}
    environment = os.environ | {f"BUSHLARDER_{name}": value for name, value in settings.items()}
    command = [sys.executable, "-m", "deploy.cli", "setup", "influx", "--data", str(tmp_path)]
    for more, kept in ([], "0s"), (["--keep-days", "90"], "2160h0m0s"):
        done = subprocess.run([*command, *more], env=environment, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        assert policies(server, "larder") == {"autogen": kept}
    assert policies(server, "larder_hourly") == {"autogen": "0s"}
    assert "larder keeps samples for 90 days" in done.stdout
    environment["BUSHLARDER_INFLUX_TOKEN"] = "larder:wrong"  # noqa: S105
    refused = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert refused.returncode == 2
    assert "authorization failed" in refused.stderr


def test_the_settings_choose_the_store(server, tmp_path):
    stores.set_up_influx(settings_for(server, tmp_path, bucket="chosen"), keep_days=None)
    settings = settings_for(server, tmp_path, bucket="chosen")
    with stores.open_reader(settings) as reader:
        assert isinstance(reader, InfluxReader), "a reader may come first"
        store = stores.open_store(settings)
        store.append([Sample(UNIT, 1, 0, START_MS, 2, {"cabinet": 3.0})], received_ms=7)
        store.close()
        assert len(reader.read(UNIT, 0, 2**62)) == 1
    assert (tmp_path / "ledger.db").exists()
    assert not (tmp_path / "telemetry.db").exists()


@pytest.mark.parametrize(
    ("wrong", "named"),
    [
        ({"influx_token": "larder:wrong"}, "store"),
        ({"bucket": "nowhere"}, "store"),
        ({"influx_url": None}, "influx_url"),
        ({"influx_token": None}, "influx_token"),
    ],
)
def test_what_is_wrong_with_the_settings_is_said_at_the_start(server, tmp_path, wrong, named):
    with pytest.raises(ConfigurationError) as told:
        stores.open_store(settings_for(server, tmp_path, **wrong))
    assert told.value.setting == named


def test_a_server_that_is_not_there_yet_is_waited_for(tmp_path, server):
    settings = settings_for(server, tmp_path, influx_url="http://127.0.0.1:1")
    stores.open_store(settings).close()


def filled(server, folder, bucket, *, days):
    settings = settings_for(server, folder, bucket=bucket)
    stores.set_up_influx(settings, keep_days=None)
    store = InfluxStore(stores.influx_access(settings), folder / "ledger.db")
    rng = np.random.default_rng(3)
    samples = [
        Sample(
            UNIT,
            1,
            sq,
            START_MS + sq * 300_000,
            2,
            {"cabinet": float(cabinet), "compressor": sq % 3 == 0, **({"ambient": 25.0} if sq % 4 else {})},
        )
        for sq, cabinet in enumerate(rng.normal(3.0, 1.0, days * 288))
    ]
    store.append(samples, received_ms=7)
    waiting = [Sample(UNIT, 2, sq, START_MS + sq * 60_000, 0, {"cabinet": 9.0}, sq * 60.0) for sq in range(5)]
    store.append(waiting, received_ms=7)
    return store


@pytest.mark.parametrize("points", [7, 50, 777, 4_000])
def test_bins_gathered_by_the_server_are_those_gathered_from_samples(server, tmp_path, points):
    store = filled(server, tmp_path, f"bins{points}", days=5)
    over = grid(START_MS + 1_234_567, START_MS + 4 * DAY_MS + 17, points)
    series = store.read(UNIT, over.start_ms, over.end_ms)

    def assert_same():
        found = store.binned(UNIT, over, COLUMNS)
        assert list(found) == COLUMNS
        for column, bins in found.items():
            expected = gathered(series.t_ms, series.numbers(column), over).bins(over.t_ms)
            for part in ("t_ms", "lowest", "highest", "mean", "count"):
                np.testing.assert_array_equal(getattr(bins, part), getattr(expected, part), err_msg=part)

    assert_same()
    now_ms = START_MS + 3 * DAY_MS
    for _ in range(10):
        if not store.tidy(now_ms):
            break
    assert store._rows("SELECT min(hour_ms) FROM stale_hours") == [(now_ms - HOUR_MS,)]
    assert_same()
    late = Sample(UNIT, 1, 9_999, START_MS + DAY_MS + 3, 2, {"cabinet": -9.0, "ambient": 77.0})
    store.append([late], received_ms=9)
    series = store.read(UNIT, over.start_ms, over.end_ms)
    assert_same()  # the roll-up is not asked from a stale hour on
    store.tidy(now_ms)
    assert_same()
    assert store.binned("nobody", over, ["cabinet_c"])["cabinet_c"].count.sum() == 0
    store.close()


def test_the_hourly_roll_up_goes_on_where_samples_have_been_dropped(server, tmp_path):
    store = filled(server, tmp_path, "dropped", days=6)
    over = grid(START_MS, START_MS + 6 * DAY_MS, 72)
    assert over.width_ms == 2 * HOUR_MS
    before = store.binned(UNIT, over, COLUMNS)
    assert not store.tidy(START_MS + 7 * DAY_MS)
    # What retention does after its time: the oldest days go.
    dropped = f"DELETE FROM samples WHERE time < {START_MS + 3 * DAY_MS}000000"  # noqa: S608 - our own words
    server.ask(dropped, database="dropped")
    assert store.read(UNIT, START_MS + HOUR_MS, START_MS + 3 * DAY_MS).t_ms.size == 0
    after = store.binned(UNIT, over, COLUMNS)
    for column in COLUMNS:
        for part in ("lowest", "highest", "mean", "count"):
            np.testing.assert_array_equal(getattr(after[column], part), getattr(before[column], part))
    assert after["cabinet_c"].count.sum() == 6 * 288 + 5
    store.close()


def test_without_a_bucket_for_it_nothing_is_rolled_up(server, tmp_path):
    server.ask("CREATE DATABASE plain")
    store = InfluxStore(server.access("plain"), tmp_path / "ledger.db")
    store.append([Sample(UNIT, 1, 0, START_MS, 2, {"cabinet": 3.0})], received_ms=7)
    assert not store.tidy(START_MS + DAY_MS)
    over = grid(START_MS - HOUR_MS, START_MS + DAY_MS, 30)
    assert store.binned(UNIT, over, ["cabinet_c"])["cabinet_c"].count.sum() == 1
    assert store._rows("SELECT count(*) FROM stale_hours") == [(1,)], "it can be made up for later"
    store.close()
