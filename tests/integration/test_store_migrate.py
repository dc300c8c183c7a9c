"""Moving a box's samples from its own file to a real InfluxDB, and back."""

import random
import sqlite3
from contextlib import closing

import pytest

from deploy import moving, store_care, stores
from services.errors import ConfigurationError
from services.pulse import Pulse
from services.settings import load_settings
from services.store import Batch, Reject, Skipped, UnitStatus, WaitingPack
from services.store.influx import InfluxReader
from services.store.influx_moving import OnServer
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import Rejected, Sample
from services.timebase import DAY_MS, MINUTE_MS
from tests.helpers.influx_server import InfluxServers

pytestmark = pytest.mark.integration

START_MS = 1_759_708_800_000
UNITS = ("v3-meat", "camp, the larder's", "v3-drinks")


@pytest.fixture(scope="module")
def influx(tmp_path_factory):
    servers = InfluxServers(tmp_path_factory.mktemp("influx"))
    yield servers
    servers.stop()


@pytest.fixture
def settings(tmp_path, influx):
    access = influx.empty_bucket()
    return load_settings(
        tmp_path,
        influx_url=access.url,
        influx_org=access.org,
        influx_bucket=access.bucket,
        influx_token=access.token,
    )


def fill(path):
    """Make a store with all that a store can hold: sealed, late, provisional, undated, refused."""
    rng = random.Random(4)  # noqa: S311 - data, not secrets
    with closing(SqliteStore(path)) as store:
        for unit in UNITS[:2]:
            numbers = [sq for sq in range(3_000) if sq % 97]
            late = set(rng.sample(numbers, 100))
            for some in ([sq for sq in numbers if sq not in late], sorted(late)):
                store.append([sample_of(unit, sq) for sq in some], received_ms=START_MS + len(some))
                while store.tidy(START_MS + 60 * DAY_MS):
                    pass
        loose = [
            Sample(UNITS[2], 1, sq, 60_000 * sq, 0, {"cabinet": 4.0 + sq}, up_s=60.0 * sq) for sq in range(9)
        ]
        undated = Sample(UNITS[2], 2, 0, 5_000, -1, {"cabinet": 4.0})
        imported = Sample(UNITS[2], -1, START_MS, START_MS, 2, {"battery": 12.5, "odd": "x"})
        store.append([*loose, undated, imported], received_ms=9)
        store.declare_skipped(UNITS[0], Skipped(1, 97, 97, "gone"))
        reject = Reject(Rejected("undecodable", "no pack", UNITS[0]), "t", b"\x00\xff", 7)
        store.commit(
            Batch(
                rejects=[reject],
                waiting=[WaitingPack(0, "v9-new", "t", b"x", 7, None)],
                statuses=[UnitStatus(UNITS[0], "on", 1, None, "1.0", 8)],
            ),
            received_ms=10,
        )
        store.mark_sent("c1", 11)


def sample_of(unit, sq):
    values = {"cabinet": sq * 7919 % 13_000 / 1000, "compressor": sq % 3 == 0}
    if sq % 5 == 0:
        values |= {"supply": 'battery, \\ "on"', "odd": sq}
    return Sample(unit, 1, sq, START_MS + sq * 17 * MINUTE_MS, 2, values)


def answers(reader):
    """Return all that a store answers."""
    told = {
        "latest": reader.latest(START_MS + 80 * DAY_MS),
        "changes": reader.changes_after(0),
        "quarantine": reader.quarantine(),
        "statuses": reader.statuses(),
        "waiting": reader.waiting(),
        "sent": reader.sent_commands(),
    }
    for unit in UNITS:
        series = reader.read(unit, 0, 2**62)
        columns = {
            name: [None if each != each else each for each in values.tolist()]  # noqa: PLR0124 - NaN
            for name, values in series.columns.items()
        }
        told[unit] = (
            series.t_ms.tolist(),
            columns,
            reader.span_of(unit),
            reader.marks(unit),
            reader.newest_sq(unit),
            reader.missing_spans(unit),
            reader.skipped(unit),
        )
    return told


def all_rows(path):
    """Return every row of an unsealed file, whatever its time."""
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT * FROM samples ORDER BY unit_no, bid, sq").fetchall()


def test_there_and_back_again_every_answer_stays_the_same(settings, monkeypatch):
    fill(settings.telemetry_db)
    with closing(SqliteReader(settings.telemetry_db)) as reader:
        before = answers(reader)
        rows_before = len(all_rows(settings.telemetry_db))
    assert len(before[UNITS[0]][0]) == 2_969

    keep, puts = OnServer.put, []

    def cut_short(self, week):
        puts.append(week.samples)
        if len(puts) == 4:
            raise ConnectionError("the lodge goes dark")
        keep(self, week)

    monkeypatch.setattr(OnServer, "put", cut_short)
    with pytest.raises(ConnectionError):
        list(store_care.migrate(settings, "sqlite", "influx"))
    on_influx = settings.model_copy(update={"store": "influx"})
    with pytest.raises(ConfigurationError, match="not filled to the end"):
        stores.open_store(on_influx)
    monkeypatch.setattr(OnServer, "put", keep)

    *_, counted, then = store_care.migrate(settings, "sqlite", "influx")
    assert "3 weeks by an earlier attempt" in counted
    assert 'store = "influx"' in then
    assert len(all_rows(settings.telemetry_db)) == rows_before, "the source is as it was"
    with closing(InfluxReader(stores.influx_access(settings), settings.ledger_db)) as reader:
        assert answers(reader) == before
    with pytest.raises(ConfigurationError, match="moved already"):
        list(store_care.migrate(settings, "sqlite", "influx"))
    with pytest.raises(ConfigurationError, match="holds samples already"):
        list(store_care.migrate(settings, "influx", "sqlite"))

    with closing(stores.open_store(on_influx)) as store:
        more = [sample_of(UNITS[0], 3_000), sample_of(UNITS[0], 5)]
        done = store.append(more, received_ms=START_MS)
        assert (done.stored, done.duplicates) == (1, 1), "it goes on where the file left off"
        assert done.change_no == before["changes"][-1].change_no + 1
        after = answers(store)
    settings.telemetry_db.rename(settings.data / "earlier.db")
    list(store_care.migrate(settings, "influx", "sqlite"))
    with closing(SqliteReader(settings.telemetry_db)) as reader:
        assert answers(reader) == after
    with closing(stores.open_store(settings)) as store:
        assert store.append(more, received_ms=START_MS).duplicates == 2
        sealed = store._connection.execute("SELECT sum(samples) FROM chunks").fetchone()[0]
    assert sealed > 5_000, "what is old is sealed there too"


def test_a_week_that_does_not_come_back_stops_it(settings, monkeypatch):
    fill(settings.telemetry_db)
    keep = OnServer.week

    def one_less(self, unit_no, unit, week):
        found = keep(self, unit_no, unit, week)
        return type(found)(found.final[:-1], found.loose) if len(found.final) > 10 else found

    monkeypatch.setattr(OnServer, "week", one_less)
    with pytest.raises(ConfigurationError, match="came back"):
        list(store_care.migrate(settings, "sqlite", "influx"))
    assert not moving.is_whole(settings.data, "influx")


def test_a_box_that_runs_is_left_alone(settings):
    fill(settings.telemetry_db)
    with closing(Pulse(settings.data, "ingest")):
        for work in (store_care.migrate(settings, "sqlite", "influx"), store_care.compact(settings)):
            with pytest.raises(ConfigurationError, match="ingest run on this folder"):
                list(work)
    assert not settings.ledger_db.exists()


def test_kinds_that_are_none_are_refused(settings):
    for came_from, to in (("sqlite", "sqlite"), ("sqlite", "paper")):
        with pytest.raises(ConfigurationError, match="one of sqlite and influx"):
            list(store_care.migrate(settings, came_from, to))
    with pytest.raises(ConfigurationError, match=r"no telemetry\.db"):
        list(store_care.migrate(settings, "sqlite", "influx"))
