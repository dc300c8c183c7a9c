"""What happens to the house itself, dated and with the name of who did or noticed it."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select

from services.records.door import Door
from services.records.tables import OperatorEventRow


@dataclass(frozen=True, slots=True)
class OperatorEvent:
    """One thing that happened."""

    t_ms: int
    kind: str
    about: str
    who: str
    body: Mapping[str, Any]


class OperatorRecords(Door):
    """Writing such events down, and reading them again."""

    def note_event(self, kind: str, about: str, body: Mapping[str, Any], *, who: str, now_ms: int) -> None:
        """Write something down; nothing of it is ever changed."""
        row = OperatorEventRow(t_ms=now_ms, kind=kind, about=about, who=who, body=json.dumps(dict(body)))
        with self._database.writing() as session:
            session.add(row)

    def operator_events(
        self, *, kinds: Sequence[str] | None = None, since_ms: int = 0, limit: int | None = 200
    ) -> list[OperatorEvent]:
        """Return what happened, newest first; only some kinds where they are named."""
        query = select(OperatorEventRow).where(OperatorEventRow.t_ms >= since_ms)
        if kinds is not None:
            query = query.where(OperatorEventRow.kind.in_(kinds))
        with self._database.reading() as session:
            found = session.scalars(query.order_by(OperatorEventRow.no.desc()).limit(limit))
            return [event_of(row) for row in found]


def event_of(row: OperatorEventRow) -> OperatorEvent:
    """Return an event as it is handed out."""
    return OperatorEvent(row.t_ms, row.kind, row.about, row.who, json.loads(row.body))
