"""Correcting what was said of a cabinet: a line of its own with who and why; none is changed or removed."""

from collections.abc import Collection
from typing import Any

from services.errors import Refused
from services.records import signing
from services.records.corrections import READINGS, correcting
from services.records.tables import StatementRow
from services.records.worddesk import WordRecords

_STAYS = frozenset({"release", "corrected"})
"""What cannot be taken back: a closed hold is judged anew, a correction is corrected by another."""


class CorrectionRecords(WordRecords):
    """Saying that an earlier line was wrong."""

    def correct(
        self, unit: str, line: int, *, who: str, reading_c: float | None, reason: str, now_ms: int
    ) -> None:
        """Write down what a line should have read, or, without a reading, that it is taken back.

        Raises
        ------
        Refused
            If the line is not one of this unit, cannot be corrected that way, or no reason is given.
        """
        self._require(unit, who)
        if not reason.strip():
            raise Refused("A reason is needed: what was wrong with the line?")
        with self._database.writing() as session:
            row = session.get(StatementRow, line)
            if row is None or row.unit != unit:
                raise Refused(f"Line {line} is not one of this cabinet.")
            body: dict[str, Any] = {"line": line, "about": row.kind, "note": reason.strip()}
            body |= _fix(row, reading_c)
            now_ms = self._moment_ms(now_ms)
            signing.put_statement(session, unit, "corrected", body, who=who, now_ms=now_ms)

    def corrected_by(self, lines: Collection[int], units: Collection[str]) -> dict[int, int]:
        """Return the newest line that corrects each of some lines of some units, where one does."""
        with self._database.reading() as session:
            return correcting(session, lines, units)


def _fix(row: StatementRow, reading_c: float | None) -> dict[str, Any]:
    if row.kind == "corrected":
        raise Refused("This line is a correction itself: correct the line it names once more.")
    if reading_c is None:
        if row.kind in _STAYS:
            raise Refused("A closed hold is not taken back: write down a probe reading, it is judged anew.")
        if row.kind == "unit_state" and not row.ends_clock:
            raise Refused("Say what the cabinet is used for now; what it was used for stays.")
        return {"withdrawn": True}
    if row.kind not in READINGS:
        raise Refused("There is no reading in that line: it can only be taken back.")
    signing.require_probe(reading_c)
    return {READINGS[row.kind]: reading_c}
