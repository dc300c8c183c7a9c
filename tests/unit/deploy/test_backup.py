import contextlib
import json
import shutil
import sqlite3
import threading

import pytest
from alembic import command
from sqlalchemy import create_engine

from deploy import backing_up
from deploy.backup import MANIFEST, BackupError, backups, restore, take, verify
from deploy.stores import open_reader
from services.errors import ConfigurationError
from services.pulse import Pulse
from services.records import database
from services.records.database import newest_form
from services.records.facade import Records
from services.settings import load_settings
from services.store.sqlite import SqliteReader, SqliteStore
from services.timebase import DAY_MS
from tests.helpers.larder import NOW_MS, fleet
from tests.helpers.units import sample_of

UNIT = "v3-meat"


@pytest.fixture
def data(tmp_path):
    folder = tmp_path / "data"
    folder.mkdir()
    records = Records(folder / "records.db")
    records.apply_fleet(fleet(), who="operator", now_ms=NOW_MS)
    records.close()
    store = SqliteStore(folder / "telemetry.db")
    store.append([sample_of(UNIT, sq) for sq in range(500)], received_ms=NOW_MS)
    store.close()
    (folder / "bushlarder.toml").write_text('port = 8421\nbroker_password = "very-private-words"\n')
    return folder


@pytest.fixture
def to(tmp_path):
    return tmp_path / "backups"


def taken(data, to, **more):
    return take(load_settings(data), to, now_ms=NOW_MS, **{"keep": 7, **more})


def samples(folder):
    reader = SqliteReader(folder / "telemetry.db")
    try:
        return len(reader.read(UNIT, 0, 2**60).t_ms)
    finally:
        reader.close()


def test_a_backup_tells_what_is_in_it_and_holds(data, to):
    made = taken(data, to)
    found = verify(made.folder)
    assert found.manifest == json.loads((made.folder / MANIFEST).read_text())
    files = found.manifest["files"]
    assert files.keys() == {"records.db", "telemetry.db", "bushlarder.toml"}
    assert files["records.db"]["tables"] == newest_form()
    assert files["telemetry.db"]["rows"]["samples"] == 500
    assert found.manifest["taken_ms"] == NOW_MS
    assert found.manifest["without"] == []


def test_passwords_stay_on_the_box(data, to):
    made = taken(data, to)
    assert "port = 8421" in (made.folder / "bushlarder.toml").read_text()
    for file in made.folder.iterdir():
        assert b"very-private-words" not in file.read_bytes()


def test_restored_elsewhere_it_gives_the_same_answers(data, to, tmp_path):
    made = taken(data, to)
    fresh = tmp_path / "fresh"
    found, aside = restore(made.folder, fresh, replace=False, now_ms=NOW_MS)
    assert aside is None
    assert samples(fresh) == 500
    records = Records(fresh / "records.db")
    assert records.fleet() == fleet()
    records.close()
    store = SqliteStore(fresh / "telemetry.db")
    assert store.marks(UNIT) == {1: 499}
    store.append([sample_of(UNIT, 500)], received_ms=NOW_MS)
    assert store.marks(UNIT) == {1: 500}, "and goes on from there"
    mode = sqlite3.connect(fresh / "telemetry.db").execute("PRAGMA journal_mode").fetchone()
    assert mode == ("wal",)
    store.close()
    assert found.manifest["version"]


def test_it_is_of_one_moment_however_much_is_written_meanwhile(data, to):
    store = SqliteStore(data / "telemetry.db")
    stop, written = threading.Event(), [500]

    def write():
        while not stop.is_set() and written[0] < 20_000:
            store.append(
                [sample_of(UNIT, sq) for sq in range(written[0], written[0] + 50)], received_ms=NOW_MS
            )
            written[0] += 50

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for number in range(3):
            before = written[0]
            made = take(load_settings(data), to, now_ms=NOW_MS + number * 1000, keep=7)
            after = written[0]
            rows = verify(made.folder).manifest["files"]["telemetry.db"]["rows"]
            assert before <= rows["samples"] <= after + 50
            with contextlib.closing(sqlite3.connect(made.folder / "telemetry.db")) as copy:
                held = copy.execute("SELECT mark FROM boots").fetchone()[0]
                assert held + 1 == rows["samples"], "what is held and what is confirmed belong together"
    finally:
        stop.set()
        writer.join(30)
        store.close()
    assert written[0] > 500


@pytest.mark.parametrize("name", ["records.db", "telemetry.db", "bushlarder.toml"])
def test_one_changed_byte_is_found_and_nothing_is_put_back(data, to, tmp_path, name):
    made = taken(data, to)
    file = made.folder / name
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    file.write_bytes(content)
    with pytest.raises(BackupError, match=name):
        restore(made.folder, tmp_path / "fresh", replace=False, now_ms=NOW_MS)
    assert not (tmp_path / "fresh").exists()


@pytest.mark.parametrize("harm", ["no-manifest", "no-file", "other-form", "reaches-out"])
def test_what_is_no_whole_backup_is_refused(data, to, tmp_path, harm):
    made = taken(data, to)
    manifest = json.loads((made.folder / MANIFEST).read_text())
    if harm == "no-manifest":
        (made.folder / MANIFEST).unlink()
    elif harm == "no-file":
        (made.folder / "records.db").unlink()
    elif harm == "other-form":
        (made.folder / MANIFEST).write_text(json.dumps({**manifest, "schema": "something/else"}))
    else:
        manifest["files"]["../outside"] = manifest["files"].pop("bushlarder.toml")
        (made.folder / MANIFEST).write_text(json.dumps(manifest))
    with pytest.raises(BackupError):
        restore(made.folder, tmp_path / "fresh", replace=False, now_ms=NOW_MS)


def test_a_damaged_database_is_not_backed_up_as_if_it_were_sound(data, to):
    file = data / "telemetry.db"
    content = bytearray(file.read_bytes())
    content[8192:12288] = bytes(4096)
    file.write_bytes(content)
    with pytest.raises(BackupError):
        taken(data, to)
    assert backups(to) == []
    assert list(to.iterdir()) == [], "and nothing half is left"


def test_a_folder_that_holds_data_is_left_alone_unless_told_and_then_kept(data, to):
    made = taken(data, to)
    store = SqliteStore(data / "telemetry.db")
    store.append([sample_of(UNIT, 500)], received_ms=NOW_MS)
    store.close()
    with pytest.raises(ConfigurationError, match="--replace"):
        restore(made.folder, data, replace=False, now_ms=NOW_MS)
    assert samples(data) == 501
    _, aside = restore(made.folder, data, replace=True, now_ms=NOW_MS)
    assert samples(data) == 500
    assert samples(aside) == 501


def test_a_box_that_runs_is_left_alone_whatever_it_last_said(data, to):
    made = taken(data, to)
    pulse = Pulse(data, "ingest")
    with pytest.raises(ConfigurationError, match="ingest runs"):
        restore(made.folder, data, replace=True, now_ms=NOW_MS)
    pulse.close()
    restore(made.folder, data, replace=True, now_ms=NOW_MS)


def test_only_so_many_are_kept_and_the_newest_leads(data, to):
    made = [take(load_settings(data), to, now_ms=NOW_MS + day * DAY_MS, keep=3) for day in range(5)]
    assert [each.folder for each in backups(to)] == [each.folder for each in reversed(made[2:])]
    (to / "notes.txt").write_text("mine")
    (to / "bushlarder-half").mkdir()
    assert len(backups(to)) == 3


def test_the_newest_of_a_folder_is_put_back(data, to, tmp_path):
    taken(data, to)
    newest = take(load_settings(data), to, now_ms=NOW_MS + DAY_MS, keep=7)
    told = list(backing_up.put_back(to, tmp_path / "fresh", replace=False))
    assert newest.manifest["taken"] in told[0]
    with pytest.raises(BackupError, match="holds none"):
        list(backing_up.put_back(tmp_path / "fresh", tmp_path / "other", replace=False))


def test_no_room_and_nothing_to_copy_are_said(data, to, tmp_path, monkeypatch):
    with pytest.raises(BackupError, match="nothing to back up"):
        take(load_settings(tmp_path), to, now_ms=NOW_MS, keep=7)
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1000))
    with pytest.raises(BackupError, match="no room"):
        taken(data, to)


def _form(folder):
    with contextlib.closing(sqlite3.connect(folder / "records.db")) as connection:
        return connection.execute("SELECT version_num FROM alembic_version").fetchone()[0]


def _make_older(folder):
    """Put records of an older form in the place of those of today."""
    for file in folder.glob("records.db*"):
        file.unlink()
    config = database._steps()
    engine = create_engine(f"sqlite:///{folder / 'records.db'}")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0005")
    engine.dispose()


def test_tables_change_only_after_a_backup_of_the_old_ones(data):
    _make_older(data)
    settings = load_settings(data)
    backing_up.bring_up_to_date(settings)
    assert _form(data) == newest_form() != "0005"
    (made,) = backups(data / "backups" / "changes")
    assert made.manifest["files"]["records.db"]["tables"] == "0005"
    assert "records.db" in made.manifest["why"]
    backing_up.bring_up_to_date(settings)
    assert len(backups(data / "backups" / "changes")) == 1, "nothing is due any more"


def test_tables_do_not_change_when_the_backup_fails(data, monkeypatch):
    _make_older(data)
    usage = shutil.disk_usage(data)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1000))
    with pytest.raises(BackupError):
        backing_up.bring_up_to_date(load_settings(data))
    assert _form(data) == "0005"


def test_a_new_folder_needs_no_backup(tmp_path):
    backing_up.bring_up_to_date(load_settings(tmp_path / "new"))
    assert not (tmp_path / "new" / "backups").exists()


@pytest.mark.parametrize(
    "apart_days", [-400, 400], ids=["the clock lost its time", "the clock was ahead once"]
)
def test_the_backup_just_made_is_never_the_one_that_goes(data, to, apart_days):
    settings = load_settings(data)
    for day in range(3):
        take(settings, to, now_ms=NOW_MS + day * DAY_MS, keep=7)
    made = take(settings, to, now_ms=NOW_MS + apart_days * DAY_MS, keep=2)
    left = backups(to)
    assert made.folder in [each.folder for each in left]
    assert len(left) == 2


@pytest.mark.parametrize(
    "line",
    [
        'broker_password = "very-private-words"',
        '"broker_password" = "very-private-words"',
        'broker_password="""\nvery-private-words"""',
        "'influx_token'   = 'very-private-words' # of the bucket",
    ],
)
def test_secrets_stay_on_the_box_however_they_are_written(data, to, line):
    (data / "bushlarder.toml").write_text(f'port = 8421\n{line}\nlog_level = "debug"\ninflux_org = "Kühl"\n')
    made = taken(data, to)
    for file in made.folder.iterdir():
        assert b"very-private-words" not in file.read_bytes()
    settings = load_settings(made.folder)
    assert (settings.port, settings.log_level, settings.influx_org) == (8421, "debug", "Kühl")


def test_a_restore_that_was_interrupted_does_not_begin_an_empty_house(data, to, monkeypatch):
    made = taken(data, to)
    monkeypatch.setattr("deploy.backup._put_aside", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
    with pytest.raises(KeyboardInterrupt):
        restore(made.folder, data, replace=True, now_ms=NOW_MS)
    monkeypatch.undo()
    for name in ("records.db", "telemetry.db"):
        (data / name).unlink()
    settings = load_settings(data)
    with pytest.raises(ConfigurationError, match="interrupted"):
        backing_up.bring_up_to_date(settings)
    restore(made.folder, data, replace=True, now_ms=NOW_MS)
    backing_up.bring_up_to_date(settings)
    assert samples(data) == 500


def test_whoever_opens_the_store_first_has_the_backup_taken_first(data):
    with contextlib.closing(sqlite3.connect(data / "telemetry.db")) as connection:
        connection.execute("PRAGMA user_version = 2")
    with open_reader(load_settings(data)) as reader:
        assert len(reader.read(UNIT, 0, 2**60).t_ms) == 500
    (kept,) = backups(data / "backups" / "changes")
    assert kept.manifest["files"]["telemetry.db"]["tables"] == 2
