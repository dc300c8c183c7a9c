"""Keeps the write-ahead log of a store's file small, also while readers never pause."""

import sqlite3
from pathlib import Path

import structlog

LIMIT_BYTES = 16 * 2**20
"""Size from which the log is emptied; SQLite alone starts it over only when no reader is looking."""
SHRINKS_TO_BYTES = LIMIT_BYTES // 2
"""What is left of the file when SQLite itself starts the log over."""
PATIENCE_MS = 500
"""How long readers are waited for: nothing is committed meanwhile. A month of a unit is read in less."""

_log = structlog.get_logger(__name__)


class WriteAheadLog:
    """The log beside one file, as its writer sees it."""

    def __init__(self, path: Path) -> None:
        """Look after the log of a file."""
        self._path = path.with_name(f"{path.name}-wal")
        self._next_bytes = LIMIT_BYTES

    def keep_small(self, connection: sqlite3.Connection) -> None:
        """Empty the log when it has grown; to be called after a transaction.

        A reader in the middle of a long read holds it up. It is then tried again when the log has grown by
        another quarter of the limit, so that waiting stays rare.
        """
        try:
            size = self._path.stat().st_size
        except OSError:
            return
        if size < self._next_bytes:
            self._next_bytes = LIMIT_BYTES if size < LIMIT_BYTES else self._next_bytes
            return
        usual_ms = connection.execute("PRAGMA busy_timeout").fetchone()[0]
        connection.execute(f"PRAGMA busy_timeout = {PATIENCE_MS}")
        try:
            (held_up, *_) = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        finally:
            connection.execute(f"PRAGMA busy_timeout = {usual_ms}")
        if held_up:
            _log.info("store.wal.held_up", bytes=size)
        self._next_bytes = size + LIMIT_BYTES // 4 if held_up else LIMIT_BYTES
