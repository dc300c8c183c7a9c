"""Turns rows of the tables into what is handed out."""

import json
from collections.abc import Mapping
from typing import Any, cast

from services.domain import CoreReading, PhoneTimes, SensorCheck, Verdict
from services.records.said import (
    KeptEpisode,
    Origin,
    QueuedCommand,
    Statement,
    StatementKind,
    VerdictChange,
)
from services.records.tables import CommandRow, EpisodeRow, StatementRow, VerdictChangeRow
from services.timebase import datetime_of


def statement_of(row: StatementRow) -> Statement:
    """Return a statement."""
    kind = cast("StatementKind", row.kind)
    return Statement(
        row.no, row.unit, row.t_ms, row.who, kind, json.loads(row.body),
        signed=signed_of(row.signed, row.pinned_ms), phone=phone_of(row.phone),
    )  # fmt: skip


def signed_of(signed: str | None, pinned_ms: int | None) -> str | None:
    """Return how a word was signed; a name chosen on a device is verified once its PIN was shown."""
    return "pin" if signed == "device" and pinned_ms is not None else signed


def phone_of(times: str | None) -> PhoneTimes | None:
    """Return both clocks of a word that was kept on a phone."""
    return None if times is None else PhoneTimes.model_validate_json(times)


def check_of(row: StatementRow, body: Mapping[str, Any]) -> SensorCheck:
    """Return a check of a sensor in melting ice; `body` is what it tells after any correction."""
    return SensorCheck(
        at=datetime_of(row.t_ms), reading_c=body["reading_c"], channel=body["channel"], who=row.who
    )


def probe_of(row: StatementRow, body: Mapping[str, Any]) -> CoreReading:
    """Return what a person's probe showed in food; `body` is what it tells after any correction."""
    return CoreReading(row.t_ms, body["probe_c"], body.get("surface_c"))


def change_of(row: VerdictChangeRow) -> VerdictChange:
    """Return a change of verdict."""
    before = None if row.standing_before is None else Verdict(row.standing_before)
    return VerdictChange(
        no=row.no,
        unit=row.unit,
        t_ms=row.t_ms,
        recorded_ms=row.recorded_ms,
        computed=Verdict(row.computed),
        standing=Verdict(row.standing),
        standing_before=before,
        origin=cast("Origin", row.origin),
        why=row.why,
    )


def episode_of(row: EpisodeRow) -> KeptEpisode:
    """Return an episode."""
    return KeptEpisode(
        unit=row.unit,
        rule=row.rule,
        limit_c=row.limit_c,
        basis=row.basis,
        start_ms=row.start_ms,
        end_ms=row.end_ms,
        peak_c=row.peak_c,
        mean_c=row.mean_c,
        withdrawn_ms=row.withdrawn_ms,
    )


def command_of(row: CommandRow) -> QueuedCommand:
    """Return a queued command."""
    return QueuedCommand(
        id=row.no,
        unit=row.unit,
        name=row.name,
        arguments=json.loads(row.arguments),
        who=row.who,
        queued_ms=row.queued_ms,
        expires_ms=row.expires_ms,
        correlation=bytes.fromhex(row.correlation),
    )
