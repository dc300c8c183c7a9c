"""Everything the records hold as files, and the commands around the audit chain, on a real database."""

import csv
import hashlib
import json
import sqlite3

import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from deploy.cli import app
from deploy.records_export import ExportError, export, noted_head
from services.errors import ConfigurationError
from services.records.facade import Records
from services.timebase import DAY_MS
from tests.helpers.larder import NOW_MS, fleet

SECRET = "$argon2id$not-to-be-told"  # noqa: S105 - of nobody


@pytest.fixture
def data(tmp_path):
    folder = tmp_path / "data"
    folder.mkdir()
    records = Records(folder / "records.db")
    records.apply_fleet(fleet(), who="operator", now_ms=NOW_MS - DAY_MS)
    code = records.invite("Jonas K.", "cook", None, who="Thandi M.", now_ms=NOW_MS)
    records.use_code(code, name="", hashed=SECRET, now_ms=NOW_MS)
    for note in ("=1+1", "warm café, “lid” open\nsecond line", "plain"):
        records.say_note("v3-meat", who="Jonas K.", note=note, now_ms=NOW_MS)
    records.close()
    return folder


def run(*words):
    return CliRunner().invoke(app, [*words])


def rows_of(folder, form, name):
    path = folder / f"{name}.{form}"
    if form == "parquet":
        return pq.read_table(path).to_pylist()
    if form == "json":
        return json.loads(path.read_text(encoding="utf-8"))
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("form", ["csv", "parquet", "json"])
def test_every_form_holds_what_the_database_holds_and_says_whether_it_is_whole(data, tmp_path, form):
    to = tmp_path / "out" / form
    done = run("export", "records", "--to", str(to), "--form", form, "--data", str(data))
    assert done.exit_code == 0, done.output
    manifest = json.loads((to / "manifest.json").read_text())
    assert {path.name for path in to.iterdir()} == {*manifest["files"], "manifest.json"}
    connection = sqlite3.connect(data / "records.db")
    for name, told in manifest["files"].items():
        table = name.rpartition(".")[0]
        (count,) = connection.execute(f"SELECT count(*) FROM {table}").fetchone()  # noqa: S608 - our names
        assert (told["rows"], len(rows_of(to, form, table))) == (count, count), name
        assert hashlib.sha256((to / name).read_bytes()).hexdigest() == told["sha256"]
    written = [(r["no"], r["who"], r["t_ms"], r["body"]) for r in rows_of(to, form, "statements")]
    kept = connection.execute("SELECT no, who, t_ms, body FROM statements ORDER BY no").fetchall()
    connection.close()
    assert [tuple(map(str, row)) for row in written] == [tuple(map(str, row)) for row in kept]
    assert SECRET.encode() not in b"".join(path.read_bytes() for path in to.iterdir())
    assert not {"sessions", "tokens", "codes"} & {name.rpartition(".")[0] for name in manifest["files"]}
    records = Records(data / "records.db")
    assert (manifest["chain"]["links"], manifest["chain"]["head"]) == records.chain_head()
    records.close()


def test_a_spreadsheet_takes_no_word_for_a_formula(data, tmp_path):
    records = Records(data / "records.db")
    records.note_event("logins_refused", "=HYPERLINK(1)", {}, who="@SUM", now_ms=NOW_MS)
    export(records, tmp_path / "out", "csv", now_ms=NOW_MS)
    records.close()
    (row,) = [r for r in rows_of(tmp_path / "out", "csv", "operator_events") if r["kind"] == "logins_refused"]
    assert (row["about"], row["who"]) == ("'=HYPERLINK(1)", "'@SUM")


def test_a_folder_that_is_there_is_left_alone(data, tmp_path):
    records = Records(data / "records.db")
    with pytest.raises(ConfigurationError, match="there already"):
        export(records, tmp_path, "csv", now_ms=NOW_MS)
    records.close()


def test_an_export_proves_later_what_was_there(data, tmp_path):
    to = tmp_path / "out"
    records = Records(data / "records.db")
    export(records, to, "json", now_ms=NOW_MS)
    records.say_note("v3-meat", who="Jonas K.", note="later", now_ms=NOW_MS)
    records.close()
    held = run("verify-records", "--export", str(to), "--data", str(data))
    assert (held.exit_code, "every one holds" in held.output) == (0, True), held.output
    (to / "statements.json").write_text("[]")
    with pytest.raises(ExportError, match="statements"):
        noted_head(to)
    with pytest.raises(ExportError, match="no export"):
        noted_head(data)


def test_the_command_says_which_record_was_changed(data):
    well = run("verify-records", "--data", str(data))
    assert (well.exit_code, well.output.count("\n")) == (0, 2), well.output
    head = well.output.strip().rpartition(" ")[2]
    assert run("verify-records", "--head", head, "--data", str(data)).exit_code == 0
    connection = sqlite3.connect(data / "records.db")
    connection.execute("UPDATE statements SET who = 'Thandi M.' WHERE no = 2")
    connection.commit()
    connection.close()
    found = run("verify-records", "--data", str(data))
    assert found.exit_code == 1
    assert "statements 2 (link" in found.output
    assert "is not what was written" in found.output
    other = run("verify-records", "--head", "0" * 64, "--data", str(data))
    assert f"{'0' * 64} is not part of this chain" in other.output


def test_the_command_that_deletes_somebodys_data_says_what_is_left_to_do(data):
    done = run("person", "forget", "Jonas K.", "--data", str(data))
    assert done.exit_code == 0, done.output
    assert "Removed person 1 stands for Jonas K. now" in done.output
    assert "fleet file" in done.output
    again = run("verify-records", "--data", str(data))
    assert (again.exit_code, "in place of a name" in again.output) == (0, True), again.output
    assert b"Jonas" not in b"".join(path.read_bytes() for path in data.glob("records.db*"))
