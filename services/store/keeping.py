"""What the embedded store keeps beside samples, each within bounds, drops counted."""

import hashlib
import sqlite3
from collections.abc import Sequence

from services.store.protocol import Message, Reject, UnitStatus, WaitingPack

WAITING_PACKS = 5_000
"""Packs kept for one unknown unit; the oldest are dropped and counted."""
WAITING_BYTES = 16 * 1024 * 1024
"""Bytes kept for one unknown unit."""
WAITING_UNITS = 500
"""Unknown units packs are kept for; packs of further ones are dropped and counted."""
QUARANTINE_ROWS = 50_000
"""Rejects kept; the oldest are dropped and counted."""
MESSAGE_ROWS = 100_000
"""Events and replies kept; the oldest are dropped."""
CHANGE_ROWS = 2_000_000
"""Changes kept, some days of a large fleet; readers further behind are sent to the beginning."""
TRIM_EVERY = 1_000
"""Commits between two looks at the bounds."""


def quarantine(connection: sqlite3.Connection, rejects: Sequence[Reject]) -> None:
    """Keep what could not be taken, with the reason."""
    connection.executemany(
        "INSERT INTO quarantine (received_ms, unit, topic, reason, detail, bid, sq, channel, payload)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                reject.received_ms,
                reject.rejected.unit,
                reject.topic,
                reject.rejected.reason,
                reject.rejected.detail,
                reject.rejected.bid,
                reject.rejected.sq,
                reject.rejected.channel,
                reject.payload,
            )
            for reject in rejects
        ],
    )


def keep_waiting(connection: sqlite3.Connection, pack: WaitingPack) -> None:
    """Keep a pack of an unknown unit, within bounds per unit and for all of them."""
    units, known = connection.execute(
        "SELECT count(DISTINCT unit), coalesce(max(unit = ?), 0) FROM waiting", (pack.unit,)
    ).fetchone()
    if not known and units >= WAITING_UNITS:
        count(connection, "waiting_dropped", 1)
        return
    digest = hashlib.blake2b(pack.topic.encode() + b"\0" + pack.payload, digest_size=16).digest()
    connection.execute(
        "INSERT OR IGNORE INTO waiting (unit, topic, payload, digest, received_ms, expiry_left_s)"
        " VALUES (?, ?, ?, ?, ?, ?)",
        (pack.unit, pack.topic, pack.payload, digest, pack.received_ms, pack.expiry_left_s),
    )
    gone = connection.execute(
        "DELETE FROM waiting WHERE number IN (SELECT number FROM (SELECT number,"
        " row_number() OVER newest AS place, sum(length(payload)) OVER newest AS size"
        " FROM waiting WHERE unit = ? WINDOW newest AS (ORDER BY number DESC)) WHERE place > ? OR size > ?)",
        (pack.unit, WAITING_PACKS, WAITING_BYTES),
    ).rowcount
    count(connection, "waiting_dropped", gone)


def keep_status(connection: sqlite3.Connection, status: UnitStatus) -> None:
    """Keep the newest status; a last will of an older boot says nothing about this one."""
    connection.execute(
        "INSERT INTO unit_status VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (unit) DO UPDATE SET"
        " s = excluded.s, bid = excluded.bid, next_s = excluded.next_s, fw = coalesce(excluded.fw, fw),"
        " received_ms = excluded.received_ms WHERE excluded.bid >= bid",
        (status.unit, status.s, status.bid, status.next_s, status.fw, status.received_ms),
    )


def count(connection: sqlite3.Connection, name: str, more: int) -> None:
    """Add to a counter that outlives the process."""
    if more > 0:
        connection.execute(
            "INSERT INTO counters VALUES (?, ?)"
            " ON CONFLICT (name) DO UPDATE SET value = value + excluded.value",
            (name, more),
        )


def keep_messages(connection: sqlite3.Connection, messages: Sequence[Message]) -> None:
    """Keep events and replies as they came."""
    connection.executemany(
        "INSERT INTO messages (unit, leaf, body, correlation, received_ms) VALUES (?, ?, ?, ?, ?)",
        [(m.unit, m.leaf, m.body, m.correlation, m.received_ms) for m in messages],
    )


def trim(connection: sqlite3.Connection) -> None:
    """Drop the oldest of what has outgrown its bound."""
    for table, column, bound in (
        ("quarantine", "number", QUARANTINE_ROWS),
        ("messages", "number", MESSAGE_ROWS),
        ("changes", "change_no", CHANGE_ROWS),
    ):
        gone = connection.execute(
            f"DELETE FROM {table} WHERE {column} <= (SELECT max({column}) FROM {table}) - ?",  # noqa: S608
            (bound,),
        ).rowcount
        count(connection, f"{table}_trimmed", gone)
