"""The doctor's rounds: every part of a box looked at, and for each what to do."""

import platform
import sqlite3
import sys
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal

from deploy import clock_sync, wiring
from deploy.backing_up import folder_of
from deploy.backup import BackupError, backups, verify
from deploy.broker_setup import CHECK_TOPIC, BrokerFolder, faults
from deploy.certificates import REMIND_DAYS, days_left
from deploy.site_tls import folder_of as folder_of_tls
from deploy.stores import open_reader
from services.api.health import NEEDED
from services.box import MB, growth_bytes_day
from services.clock import now_ms
from services.errors import BushlarderError, ConfigurationError, DependencyUnavailable
from services.ingest.brokerlog import FLOODING, ODD, REFUSED
from services.ingest.echo import echo_s
from services.pulse import Sign, running
from services.records.facade import Records
from services.settings import Settings
from services.store import StoreReader
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, iso_of

State = Literal["ok", "look", "trouble", "not known"]
BACKUP_OLD_MS, BACKUP_TOO_OLD_MS = 2 * DAY_MS, 8 * DAY_MS
DAYS_LEFT_LOOK, DAYS_LEFT_TROUBLE = 30.0, 3.0
MANY_REJECTED_DAY = 20
"""Rejected records in a day that somebody should look at (judgement)."""
SLOW_ECHO_S = 1.0
AHEAD_MS = 5 * MINUTE_MS
_LOOKED_AT = 1_000
_MARKS = {"ok": "  ok      ", "look": "  LOOK    ", "trouble": "  TROUBLE ", "not known": "  not known"}


@dataclass(frozen=True, slots=True)
class Row:
    """One thing looked at."""

    what: str
    state: State
    found: str
    advice: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return it for a program."""
        return asdict(self)


def as_text(rows: list[Row]) -> str:
    """Return the rounds for a person; what needs somebody stands with what to do."""
    lines = []
    for row in rows:
        lines.append(f"{_MARKS[row.state]} {row.what}: {row.found}")
        if row.advice and row.state != "ok":
            lines.append(f"             {row.advice}")
    return "\n".join(lines)


def look(settings: Settings) -> list[Row]:
    """Look at everything; what cannot be looked at is a row as well."""
    if not settings.data.is_dir():
        raise ConfigurationError("there is no such folder", setting=str(settings.data))
    moment_ms = now_ms()
    rows = [*_parts(settings, moment_ms)]
    rows += _tried("broker", lambda: [_broker(settings, moment_ms)])
    rows += _tried("pages' certificate", lambda: list(_pages_certificate(settings, moment_ms)))
    rows += _tried("broker's files", lambda: list(_broker_files(settings, moment_ms)))
    rows += [_writable(settings, name) for name in ("records.db", "telemetry.db", "ledger.db")
             if (settings.data / name).exists()]  # fmt: skip
    rows += _tried("store", lambda: list(_store(settings, moment_ms)))
    rows += _tried("records", lambda: list(_records(settings, moment_ms)))
    rows.append(_clock())
    rows += _tried("disk", lambda: [_disk(settings, moment_ms)])
    rows += _tried("backup", lambda: [_backup(settings, moment_ms)])
    rows.append(_versions())
    return rows


def _tried(what: str, work: Callable[[], list[Row]]) -> list[Row]:
    try:
        return work()
    except (BushlarderError, OSError, sqlite3.Error) as error:
        return [
            Row(what, "trouble", str(error), "See the log of the part; `check-config` prints the settings.")
        ]


def _parts(settings: Settings, moment_ms: int) -> Iterator[Row]:
    signs, alive = wiring.box_of(settings).signs(), running(settings.data)
    for name in (*NEEDED, "notify", "web"):
        sign = signs.get(name)
        if name not in alive or sign is None:
            last = "never ran here" if sign is None else f"last sign of life {iso_of(sign.beat_ms)}"
            yield Row(name, "trouble", f"does not run ({last})", "Start the box, or this service.")
        elif not sign.is_fresh(moment_ms):
            yield Row(
                name,
                "trouble",
                f"hangs: last sign of life {iso_of(sign.beat_ms)}",
                "Restart it; keep its log.",
            )
        elif sign.trouble is not None:
            yield Row(name, "trouble", sign.trouble, "It goes on by itself once the reason is gone.")
        else:
            yield Row(name, "ok", "runs")


def _broker(settings: Settings, moment_ms: int) -> Row:
    sign = wiring.box_of(settings).signs().get("ingest")
    url = settings.broker_url or (None if sign is None else sign.said.get("broker"))
    if url is None:
        return Row("broker", "not known", "no broker is set, and ingest never said which it uses")
    access = wiring.broker_access(settings, str(url))
    if access.encrypted:
        return _broker_as_ingest_sees_it(sign, moment_ms)
    try:
        took_s = echo_s(access, CHECK_TOPIC)
    except DependencyUnavailable as error:
        return Row("broker", "trouble", str(error), "Start it; look at its log, its password and its rules.")
    state: State = "ok" if took_s < SLOW_ECHO_S else "look"
    return Row(
        "broker", state, f"a message there and back took {took_s * 1000:.0f} ms", "It is slow: see disk."
    )


def _broker_as_ingest_sees_it(sign: Sign | None, moment_ms: int) -> Row:
    """Ask ingest in place of the broker.

    Over the network a broker may take the name that was proved for the name of the session: a message of our
    own would then end ingest's session, with everything that waits in it.
    """
    if sign is None or not sign.is_fresh(moment_ms):
        return Row(
            "broker", "not known", "ingest does not say whether it is connected", "Start ingest first."
        )
    if not sign.said.get("connected"):
        return Row("broker", "trouble", "ingest is not connected to it", "Look at both logs.")
    return Row("broker", "ok", "ingest is connected to it")


def _broker_files(settings: Settings, moment_ms: int) -> Iterator[Row]:
    if settings.broker_folder is None:
        return
    folder = BrokerFolder(settings.broker_folder)
    wrong = faults(folder)
    yield Row(
        "broker's files",
        "trouble" if wrong else "ok",
        "; ".join(wrong) or "nobody comes in without a name",
        "`bushlarder setup broker` writes them as they should be.",
    )
    for name, file in (("broker's certificate", folder.certificate), ("own authority", folder.ca)):
        yield _days_left(name, file, moment_ms, "`bushlarder setup broker --renew`")


def _pages_certificate(settings: Settings, moment_ms: int) -> Iterator[Row]:
    if settings.tls_certificate is None:
        return
    own = settings.tls_certificate == folder_of_tls(settings.data).certificate
    advice = (
        "`bushlarder setup tls --renew`" if own else "Get a new one, and give it to `bushlarder setup tls`."
    )
    yield _days_left("pages' certificate", settings.tls_certificate, moment_ms, advice)
    if settings.tls_authority is not None:
        advice = "`bushlarder setup tls --new-authority`, and install it on every phone."
        yield _days_left("pages' authority", settings.tls_authority, moment_ms, advice)


def _days_left(name: str, file: Path, moment_ms: int, advice: str) -> Row:
    left = days_left(file, now_ms=moment_ms)
    state: State = "trouble" if left <= 0 else "look" if left <= REMIND_DAYS else "ok"
    return Row(name, state, f"{left} days left", advice)


def _writable(settings: Settings, name: str) -> Row:
    """Look through a database, and begin to write without writing."""
    file = settings.data / name
    try:
        connection = sqlite3.connect(
            f"{file.resolve().as_uri()}?mode=rw", uri=True, timeout=5.0, isolation_level=None
        )
        try:
            told = [row[0] for row in connection.execute("PRAGMA quick_check(3)")]
            connection.execute("BEGIN IMMEDIATE")
            connection.execute("ROLLBACK")
        finally:
            connection.close()
    except sqlite3.Error as error:
        return Row(name, "trouble", str(error), "Whose file is it? Is another program holding it?")
    if told != ["ok"]:
        return Row(
            name,
            "trouble",
            "; ".join(told),
            "Stop the box and restore the newest backup; keep the damaged file.",
        )
    return Row(name, "ok", f"sound and writable, {file.stat().st_size / MB:.1f} MB")


def _store(settings: Settings, moment_ms: int) -> Iterator[Row]:
    with open_reader(settings) as reader:
        yield _ahead(reader, moment_ms)
        kept = reader.quarantine_count()
        fresh = sum(each.received_ms > moment_ms - DAY_MS for each in reader.quarantine(_LOOKED_AT))
        more = "or more " if fresh == _LOOKED_AT else ""
        yield Row(
            "set aside",
            "look" if fresh >= MANY_REJECTED_DAY else "ok",
            f"{kept} records or packs kept, {fresh} {more}of them in the last day",
            "A unit sends what cannot be read: the workshop page and ingest's log name it.",
        )
        knocking = reader.waiting()
        yield Row(
            "unknown units",
            "look" if knocking else "ok",
            f"{len(knocking)} knock",
            "`bushlarder waiting` names them; put them into the fleet file.",
        )


def _ahead(reader: StoreReader, moment_ms: int) -> Row:
    """Look for samples from the future: a unit's clock, or ours, is wrong."""
    late = moment_ms - HOUR_MS
    spans = {unit: reader.span_of(unit) for unit in reader.latest(moment_ms)}
    ahead = sorted(
        unit for unit, span in spans.items() if span is not None and span[1] > moment_ms + AHEAD_MS
    )
    newest_ms = max((each.received_ms for each in reader.latest(moment_ms).values()), default=late)
    if newest_ms > moment_ms + AHEAD_MS:
        return Row(
            "clock and data", "trouble", f"data came in at {iso_of(newest_ms)}, which is still to come",
            "This machine's clock was set back: set it right before anything else.",
        )  # fmt: skip
    if ahead:
        return Row(
            "clock and data", "look", f"{', '.join(ahead)} sent samples from the future",
            "Set the unit's clock; such samples are kept and are never the latest.",
        )  # fmt: skip
    return Row("clock and data", "ok", "no samples from the future")


def _records(settings: Settings, moment_ms: int) -> Iterator[Row]:
    records: Records = wiring.open_records(settings)
    try:
        events = records.operator_events(kinds=(REFUSED, ODD, FLOODING), since_ms=moment_ms - DAY_MS)
        units = len(records.known_units())
    finally:
        records.close()
    yield Row(
        "fleet", "ok" if units else "look", f"{units} units", "`bushlarder fleet apply FILE` adds them."
    )
    about = sorted({f"{event.kind.replace('_', ' ')} ({event.about})" for event in events})
    yield Row(
        "strangers",
        "look" if events else "ok",
        f"in the last day: {', '.join(about) or 'nothing odd at the broker'}",
        "`bushlarder unit revoke` shuts a unit out; the broker's log says from where they came.",
    )


def _clock() -> Row:
    synchronised = clock_sync.synchronised()
    if synchronised is None:
        return Row("clock", "not known", "this system does not say whether its clock is set by anybody")
    return Row(
        "clock",
        "ok" if synchronised else "look",
        "set by a time server" if synchronised else "nobody sets it",
        "Start a time service, or fit a clock module with a battery: minutes and dates come from this clock.",
    )


def _disk(settings: Settings, moment_ms: int) -> Row:
    box = wiring.box_of(settings)
    room, sign = box.room(), box.signs().get("ingest")
    sizes = [] if sign is None else [(int(t_ms), int(size)) for t_ms, size in sign.said.get("sizes", [])]
    rate = growth_bytes_day(sizes, moment_ms, sum(box.sizes().values()))
    found = f"{room.free_bytes / MB:.0f} MB free, {room.reserve_bytes / MB:.0f} MB of them kept back"
    advice = "Make room, or a larger disk; old logs and backups first."
    if not room.enough:
        return Row("disk", "trouble", f"{found}: ingest takes nothing", advice)
    if rate is None:
        return Row("disk", "ok", f"{found}; days left are not known before an hour has been seen")
    if rate <= 0.0:
        return Row("disk", "ok", f"{found}; the data do not grow")
    days = (room.free_bytes - room.reserve_bytes) / rate
    state: State = "trouble" if days < DAYS_LEFT_TROUBLE else "look" if days < DAYS_LEFT_LOOK else "ok"
    return Row("disk", state, f"{found}; {days:.0f} days left at {rate / MB:.1f} MB a day", advice)


def _backup(settings: Settings, moment_ms: int) -> Row:
    to = folder_of(settings)
    advice = "`bushlarder backup --to DIR`, best every night and onto another disk."
    there = backups(to)
    if not there:
        return Row("backup", "look", f"none in {to}", advice)
    age_ms = moment_ms - there[0].taken_ms
    try:
        verify(there[0].folder)
    except BackupError as error:
        return Row("backup", "trouble", str(error), "Take another one now, and keep the older ones.")
    if age_ms < -AHEAD_MS:
        return Row(
            "backup", "look", f"the newest is dated {iso_of(there[0].taken_ms)}, which is still to come",
            "This clock is wrong, or was then: how old the backups are is not known. Take another one.",
        )  # fmt: skip
    found = f"the newest is {max(0, age_ms) / HOUR_MS:.0f} h old and reads back as it was taken"
    if without := there[0].manifest.get("without"):
        found += f"; not in it: {'; '.join(without)}"
        advice += " Whether those servers are backed up cannot be seen from here."
    if age_ms > BACKUP_TOO_OLD_MS:
        return Row("backup", "trouble", found, advice)
    state: State = "look" if age_ms > BACKUP_OLD_MS else "not known" if without else "ok"
    return Row("backup", state, found, advice)


def _versions() -> Row:
    return Row(
        "versions",
        "ok",
        f"bushlarder {version('bushlarder')}, Python {platform.python_version()} on {sys.platform}, "
        f"SQLite {sqlite3.sqlite_version}",
    )
