"""Backups of a box: taken while it runs, checked when taken, checked again before anything is put back."""

import hashlib
import json
import os
import shutil
import sqlite3
import tomllib
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from services.errors import BushlarderError, ConfigurationError
from services.pulse import running
from services.settings import Settings, secret_names
from services.timebase import iso_of

MANIFEST = "manifest.json"
SCHEMA = "bushlarder/backup/1"
DATABASES = ("records.db", "telemetry.db", "ledger.db")
"""In the order they are copied: verdicts that are older than the readings are worked out again, the other
way round the monitor would believe it had seen readings that are not there."""
ALSO = ("bushlarder.toml",)
"""Files of the data folder that go along as they are."""
ELSEWHERE = {
    "ledger.db": "the samples, which InfluxDB keeps: back that server up with its own tools",
    "records.db": "what people own and say, which PostgreSQL keeps: back that server up with pg_dump",
}
"""What is not in a backup that has a ledger, or has no records."""
RESTORING = ".restoring"
"""In a data folder: a restore has begun to put files in place and has not ended."""
_PREFIX = "bushlarder-"
_PAGES_A_STEP = 2_000
"""Pages copied between two looks at the lock, so that ingest is never held up."""
_CHUNK = 1 << 20
_ROOM_FACTOR = 1.1


class BackupError(BushlarderError):
    """A backup that cannot be taken, or must not be put back."""


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup on the disk."""

    folder: Path
    taken_ms: int
    manifest: dict[str, Any]

    @property
    def size_bytes(self) -> int:
        """Return how large its files are."""
        return sum(int(each["bytes"]) for each in self.manifest["files"].values())


def take(settings: Settings, to: Path, *, now_ms: int, keep: int, why: str = "asked for") -> Backup:
    """Back up what a box knows into a new folder under `to`, and drop the oldest beyond `keep`.

    The folder gets its name last: one that has its name is whole.

    Raises
    ------
    BackupError
        If there is nothing to back up, or the copy does not hold.
    """
    sources = [settings.data / name for name in DATABASES if (settings.data / name).exists()]
    if not sources:
        raise BackupError(f"there is nothing to back up in {settings.data}")
    name = f"{_PREFIX}{iso_of(now_ms).replace(':', '').replace('-', '').split('.')[0].rstrip('Z')}Z"
    target = to / name
    to.mkdir(parents=True, exist_ok=True)
    needed = sum(_size_with_log(source) for source in sources) * _ROOM_FACTOR
    if shutil.disk_usage(to).free < needed:
        raise BackupError(f"{to} has no room for a backup of {needed / 1e6:.0f} MB")
    if target.exists():
        raise BackupError(f"{target} exists already")
    fresh = to / f".{name}.part"
    shutil.rmtree(fresh, ignore_errors=True)
    fresh.mkdir(parents=True)
    try:
        for source in sources:
            _copy_database(source, fresh / source.name)
        for also in ALSO:
            if (settings.data / also).exists():
                _copy_without_passwords(settings.data / also, fresh / also)
        manifest = _manifest(fresh, now_ms=now_ms, why=why)
        (fresh / MANIFEST).write_text(json.dumps(manifest, indent=1, sort_keys=True), encoding="utf-8")
        for file in fresh.iterdir():
            _flush(file)
        fresh.replace(target)
        _flush(to)
    except (OSError, sqlite3.Error, tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BackupError(f"the backup could not be taken: {error}") from error
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    made = Backup(target, now_ms, manifest)
    # Never the one just made: it looks the oldest when the clock was ahead once, or has lost its time now.
    others = [each for each in backups(to) if each.folder != target]
    for old in others[keep - 1 :]:
        shutil.rmtree(old.folder)
    return made


def _size_with_log(source: Path) -> int:
    beside = source.with_name(f"{source.name}-wal")
    return source.stat().st_size + (beside.stat().st_size if beside.exists() else 0)


def _read_only(file: Path, *, alone: bool) -> sqlite3.Connection:
    """Open a database for reading; `alone` where nobody writes, so that nothing is put beside it."""
    end = "mode=ro&immutable=1" if alone else "mode=ro"
    return sqlite3.connect(f"{file.resolve().as_uri()}?{end}", uri=True, timeout=10.0, isolation_level=None)


def _copy_database(source: Path, target: Path) -> None:
    """Copy one state of a database that others write to, in steps; it is checked afterwards."""
    with (
        closing(_read_only(source, alone=False)) as there,
        closing(sqlite3.connect(target)) as here,
    ):
        # One read transaction: the copy is of one moment, however long it takes, and never starts anew.
        there.execute("BEGIN")
        there.execute("SELECT count(*) FROM sqlite_master").fetchone()
        there.backup(here, pages=_PAGES_A_STEP)
        there.execute("ROLLBACK")
    with closing(_read_only(target, alone=True)) as copied:
        _require_sound(copied, source.name)


def _require_sound(connection: sqlite3.Connection, name: str) -> None:
    told = [row[0] for row in connection.execute("PRAGMA integrity_check(5)")]
    if told != ["ok"]:
        raise BackupError(f"{name} is damaged: {'; '.join(told)}")


def _copy_without_passwords(source: Path, target: Path) -> None:
    """Copy settings; passwords and tokens stay on the box, in whatever form of TOML they are written."""
    given = tomllib.loads(source.read_text(encoding="utf-8"))
    kept = {name: value for name, value in given.items() if name not in secret_names()}
    if kept == given:
        shutil.copyfile(source, target)  # as its owner wrote it
        return
    lines = [f"{name} = {json.dumps(value, ensure_ascii=False)}\n" for name, value in kept.items()]
    target.write_text("".join(lines), encoding="utf-8")


def _manifest(folder: Path, *, now_ms: int, why: str) -> dict[str, Any]:
    files = {}
    for file in sorted(folder.iterdir()):
        entry: dict[str, Any] = {"bytes": file.stat().st_size, "sha256": _digest(file)}
        if file.name in DATABASES:
            entry |= _contents(file)
        files[file.name] = entry
    return {
        "schema": SCHEMA,
        "taken": iso_of(now_ms),
        "taken_ms": now_ms,
        "why": why,
        "without": [words for name, words in ELSEWHERE.items() if (name in files) == (name == "ledger.db")],
        "version": version("bushlarder"),
        "files": files,
    }


def _contents(file: Path) -> dict[str, Any]:
    """Return the version of a database's tables, and how many rows each has."""
    with closing(_read_only(file, alone=True)) as connection:
        names = [
            row[0]
            for row in connection.execute(
                "SELECT name FROM sqlite_master"
                " WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name"
            )
        ]
        rows = {
            name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]  # noqa: S608 - its own names
            for name in names
        }
        form: Any = connection.execute("PRAGMA user_version").fetchone()[0]
        if "alembic_version" in names:
            form = connection.execute("SELECT version_num FROM alembic_version").fetchone()[0]
    return {"tables": form, "rows": rows}


def _digest(file: Path) -> str:
    digest = hashlib.sha256()
    with file.open("rb") as stream:
        while piece := stream.read(_CHUNK):
            digest.update(piece)
    return digest.hexdigest()


def _flush(path: Path) -> None:
    """Have a file or the entries of a folder on the disk before going on."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def backups(to: Path) -> list[Backup]:
    """Return the whole backups in a folder, newest first."""
    found = []
    for folder in to.glob(f"{_PREFIX}*"):
        try:
            manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
            found.append(Backup(folder, int(manifest["taken_ms"]), manifest))
        except (OSError, ValueError, KeyError, TypeError):
            continue
    return sorted(found, key=lambda each: each.taken_ms, reverse=True)


def verify(folder: Path) -> Backup:
    """Return a backup after reading every byte of it.

    Raises
    ------
    BackupError
        Naming the first thing that is not as it was when the backup was taken.
    """
    try:
        manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        files = dict(manifest["files"])
        found = Backup(folder, int(manifest["taken_ms"]), manifest)
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise BackupError(f"{folder} is no backup: {MANIFEST} cannot be read ({error})") from error
    if manifest.get("schema") != SCHEMA:
        raise BackupError(f"{folder} is a backup of another form: {manifest.get('schema')}")
    for name, expected in files.items():
        file = folder / name
        if Path(name).name != name or not file.is_file():
            raise BackupError(f"{name} is missing from {folder}")
        if file.stat().st_size != expected["bytes"] or _digest(file) != expected["sha256"]:
            raise BackupError(f"{name} is not as it was when the backup was taken")
        if name in DATABASES:
            with closing(_read_only(file, alone=True)) as connection:
                _require_sound(connection, name)
            if _contents(file)["rows"] != expected["rows"]:
                raise BackupError(f"{name} does not hold as many rows as its manifest says")
    return found


def restore(folder: Path, data: Path, *, replace: bool, now_ms: int) -> tuple[Backup, Path | None]:
    """Put a backup into a data folder; return it, and where what was there before is kept.

    Raises
    ------
    BackupError
        If the backup does not verify.
    ConfigurationError
        If a box runs on the data folder, or holds data and `replace` is not set.
    """
    found = verify(folder)
    data.mkdir(parents=True, exist_ok=True)
    alive = running(data)
    if alive:
        raise ConfigurationError(f"{', '.join(alive)} runs on it: stop the box first", setting=str(data))
    there = _there(data)
    if there and not replace:
        raise ConfigurationError(
            f"holds {', '.join(path.name for path in there)} already: choose another folder, or --replace, "
            "which keeps what is there beside it",
            setting=str(data),
        )
    names = list(found.manifest["files"])
    fresh, ready = data / f"{RESTORING}.part", data / RESTORING
    for left in (fresh, ready):
        shutil.rmtree(left, ignore_errors=True)
    fresh.mkdir()
    for name in names:
        shutil.copyfile(folder / name, fresh / name)
        _flush(fresh / name)
    _flush(fresh)
    fresh.replace(ready)  # from here to the end no process opens the folder
    _flush(data)
    aside = _put_aside(there, data, now_ms) if there else None
    for name in names:
        (ready / name).replace(data / name)
    _flush(data)
    ready.rmdir()
    _flush(data)
    return found, aside


def _there(data: Path) -> Sequence[Path]:
    names = [*(f"{name}{end}" for name in DATABASES for end in ("", "-wal", "-shm")), *ALSO, "signs"]
    return [data / name for name in names if (data / name).exists()]


def _put_aside(there: Sequence[Path], data: Path, now_ms: int) -> Path:
    aside = data / f"before-restore-{now_ms}"
    aside.mkdir()
    for path in there:
        path.replace(aside / path.name)
    return aside
