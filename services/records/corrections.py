"""Lines of the records that correct earlier ones: the corrected line stays, what it tells is replaced."""

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from services.records.tables import StatementRow

READINGS: Mapping[str, str] = {"probe": "probe_c", "ice_point": "reading_c", "release": "probe_c"}
"""By kind of statement, the number in it that may have been written down wrongly."""


@dataclass(frozen=True, slots=True)
class Corrections:
    """What was corrected of a cabinet's lines, by the number of the line; the newest word counts."""

    by_line: Mapping[int, Mapping[str, Any]]

    @property
    def withdrawn(self) -> frozenset[int]:
        """Numbers of the lines that were taken back."""
        return frozenset(no for no, body in self.by_line.items() if body.get("withdrawn"))

    def body_of(self, row: StatementRow) -> dict[str, Any]:
        """Return what a line tells after its correction."""
        body: dict[str, Any] = json.loads(row.body)
        field, fix = READINGS.get(row.kind, ""), self.by_line.get(row.no, {})
        return {**body, field: fix[field]} if field in fix else body


def corrections_of(session: Session, unit: str) -> Corrections:
    """Return what was corrected of a cabinet's lines."""
    query = select(StatementRow).where(StatementRow.unit == unit, StatementRow.kind == "corrected")
    bodies = [json.loads(row.body) for row in session.scalars(query.order_by(StatementRow.no))]
    return Corrections({int(body["line"]): body for body in bodies})


def correcting(session: Session, lines: Collection[int], units: Collection[str]) -> dict[int, int]:
    """Return the newest line that corrects each of some lines, where one does."""
    query = select(StatementRow).where(StatementRow.unit.in_(units), StatementRow.kind == "corrected")
    told = {json.loads(row.body)["line"]: row.no for row in session.scalars(query.order_by(StatementRow.no))}
    return {line: told[line] for line in lines if line in told}
