"""Writes everything the records hold into files, with a list of them that tells whether they are whole."""

import csv
import hashlib
import json
import shutil
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from dashboards.reports.table import harmless
from services.api.recordsroom import Form
from services.errors import BushlarderError, ConfigurationError
from services.records.facade import Records
from services.records.wholly import WholeTable
from services.timebase import iso_of

MANIFEST = "manifest.json"
SCHEMA = "bushlarder/records-export/1"
_AT_ONCE = 5_000
_CHUNK = 1 << 20
_ARROW = {"integer": pa.int64(), "boolean": pa.bool_(), "number": pa.float64(), "text": pa.string()}


class ExportError(BushlarderError):
    """Files that are not what was written."""


def export(records: Records, to: Path, form: Form, *, now_ms: int) -> dict[str, Any]:
    """Write one file a table and the list of them into a new folder; return the list.

    The folder gets its name last: one that has its name is whole.

    Raises
    ------
    ConfigurationError
        If the folder is there already, or cannot be written.
    """
    if to.exists():
        raise ConfigurationError(f"{to} is there already", setting="--to")
    fresh = to.with_name(f".{to.name}.part")
    try:
        shutil.rmtree(fresh, ignore_errors=True)
        fresh.mkdir(parents=True)
        with records.whole() as whole:
            files = {f"{table.name}.{form}": _write(table, fresh, form) for table in whole.tables}
        manifest = {
            "schema": SCHEMA,
            "made": iso_of(now_ms),
            "form": form,
            "chain": {"links": whole.links, "head": whole.head},
            "files": files,
        }
        (fresh / MANIFEST).write_text(json.dumps(manifest, indent=1) + "\n", encoding="utf-8")
        fresh.replace(to)
    except OSError as error:
        raise ConfigurationError(f"{to}: {error.strerror}", setting="--to") from error
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    return manifest


def noted_head(folder: Path) -> str:
    """Return the newest link at the time of an export, after looking whether its files are whole.

    Raises
    ------
    ExportError
        Naming the first file that is not what was written.
    """
    try:
        manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        files, head = manifest["files"], str(manifest["chain"]["head"])
        for name, each in files.items():
            if sum_of(folder / name) != each["sha256"]:
                raise ExportError(f"{folder / name} is not what was written")
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ExportError(f"{folder} is no export that is whole: {error}") from error
    return head


def _write(table: WholeTable, folder: Path, form: Form) -> dict[str, Any]:
    path = folder / f"{table.name}.{form}"
    count = _WRITERS[form](table, path)
    return {
        "rows": count,
        "bytes": path.stat().st_size,
        "sha256": sum_of(path),
        "columns": table.columns,
    }


def sum_of(path: Path) -> str:
    """Return the SHA-256 of a file, as hexadecimal digits."""
    found = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            found.update(chunk)
    return found.hexdigest()


def _some(table: WholeTable) -> Iterator[list[dict[str, Any]]]:
    while rows := list(islice(table.rows, _AT_ONCE)):
        yield rows


def _csv(table: WholeTable, path: Path) -> int:
    count = 0
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, [*table.columns], lineterminator="\r\n")
        writer.writeheader()
        for rows in _some(table):
            writer.writerows({name: _cell(value) for name, value in row.items()} for row in rows)
            count += len(rows)
    return count


def _cell(value: object) -> object:
    """Return a value for a spreadsheet, which must not take what somebody wrote for a formula."""
    return harmless(value) if isinstance(value, str) else value


def _parquet(table: WholeTable, path: Path) -> int:
    count = 0
    schema = pa.schema([(name, _ARROW[kind]) for name, kind in table.columns.items()])
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for rows in _some(table):
            writer.write_table(pa.Table.from_pylist(rows, schema=schema))
            count += len(rows)
    return count


def _json(table: WholeTable, path: Path) -> int:
    count = 0
    with path.open("w", encoding="utf-8") as file:
        file.write("[")
        for rows in _some(table):
            for row in rows:
                file.write(("," if count else "") + "\n" + json.dumps(row, ensure_ascii=False))
                count += 1
        file.write("\n]\n")
    return count


_WRITERS: dict[Form, Callable[[WholeTable, Path], int]] = {"csv": _csv, "parquet": _parquet, "json": _json}
