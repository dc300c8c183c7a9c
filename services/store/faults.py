"""What SQLite complains of, as what a caller has to do about it."""

import sqlite3

from services.errors import DependencyUnavailable, NoRoom


def unavailable(error: sqlite3.OperationalError) -> DependencyUnavailable:
    """Return why the store does not answer: a full disk is told apart, for only a person ends that."""
    if error.sqlite_errorcode == sqlite3.SQLITE_FULL:
        return NoRoom("the disk is full")
    return DependencyUnavailable(f"the telemetry store does not answer: {error}")
