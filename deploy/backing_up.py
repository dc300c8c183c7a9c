"""When backups are taken and put back: by hand, by the clock, and before tables change their form."""

import fcntl
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import structlog

from deploy.backup import MANIFEST, RESTORING, Backup, BackupError, backups, restore, take
from services.clock import now_ms
from services.errors import ConfigurationError
from services.records.database import Database, newest_form
from services.settings import Settings
from services.store.schema import VERSION, connect

KEPT_AT_CHANGES = 3
"""Backups taken because tables were about to change; they lie in a folder of their own."""
_HOUR_S = 3600.0

_log = structlog.get_logger(__name__)


def folder_of(settings: Settings) -> Path:
    """Return where backups go unless somebody says otherwise."""
    return settings.data / "backups" if settings.backup_to is None else settings.backup_to


def rounds(
    settings: Settings, to: Path | None, *, keep: int, every_h: float | None, stop: threading.Event
) -> Iterator[str]:
    """Take a backup, or one every so many hours until told to stop; yield what to tell."""
    target = folder_of(settings) if to is None else to
    while True:
        try:
            made = take(settings, target, now_ms=now_ms(), keep=keep)
            yield _words(made)
            yield from (f"Not in it: {words}" for words in made.manifest["without"])
        except BackupError as error:
            if every_h is None:
                raise
            _log.error("backup.failed", error=str(error))
        if every_h is None or stop.wait(every_h * _HOUR_S):
            return


def _words(made: Backup) -> str:
    rows = sum(sum(each.get("rows", {}).values()) for each in made.manifest["files"].values())
    return f"{made.folder}: {made.size_bytes / 1e6:.1f} MB, {rows} rows, checked"


def put_back(source: Path, data: Path, *, replace: bool) -> Iterator[str]:
    """Restore a backup, or the newest of a folder of them; yield what to tell."""
    folder = source
    if not (source / MANIFEST).exists():
        there = backups(source)
        if not there:
            raise BackupError(f"{source} is no backup and holds none")
        folder = there[0].folder
    found, aside = restore(folder, data, replace=replace, now_ms=now_ms())
    yield f"{found.manifest['taken']} is back in {data}, checked"
    if aside is not None:
        yield f"What was there before is kept in {aside}"
    yield "Units send again what they still hold; what they have freed since the backup shows as missing."
    yield "Passwords were not in the backup: set them again."


def bring_up_to_date(settings: Settings) -> None:
    """Give the tables of an earlier version their new form, after a backup; one process at a time.

    Raises
    ------
    BackupError
        If the backup cannot be taken: nothing is changed then.
    ConfigurationError
        If a restore was interrupted: an empty house would begin anew in its place.
    """
    settings.data.mkdir(parents=True, exist_ok=True)
    if (settings.data / RESTORING).exists():
        raise ConfigurationError(
            "a restore was interrupted here: run it again, with --replace", setting=str(settings.data)
        )
    with (settings.data / "opening.lock").open("a", encoding="utf-8") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        due = [
            file.name
            for file, is_old in (
                (settings.records_db, _records_old),
                (settings.telemetry_db, _store_old),
                (settings.ledger_db, _store_old),
            )
            if file.exists() and is_old(file)
        ]
        if not due:
            return
        why = f"before the tables of {' and '.join(due)} change"
        made = take(settings, folder_of(settings) / "changes", now_ms=now_ms(), keep=KEPT_AT_CHANGES, why=why)
        _log.info("backup.before_change", folder=made.folder.name, why=why)
        for name in due:
            if name == settings.records_db.name:
                Database(settings.records_db).close()
            else:
                connect(settings.data / name, writer=True).close()


def _records_old(file: Path) -> bool:
    with closing(sqlite3.connect(file)) as connection:
        known = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'").fetchone()
        row = connection.execute("SELECT version_num FROM alembic_version").fetchone() if known else None
    return row is not None and row[0] != newest_form()


def _store_old(file: Path) -> bool:
    with closing(sqlite3.connect(file)) as connection:
        version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    return 0 < version < VERSION
