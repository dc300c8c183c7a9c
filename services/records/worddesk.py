"""What people say of a whole cabinet: readings taken by hand, remarks, checks of its sensors."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import select

from services.domain import SensorCheck
from services.records import rows, signing
from services.records.door import Door
from services.records.said import Context, SaidThere, Statement
from services.records.tables import StatementRow


class WordRecords(Door):
    """What named persons say of cabinets, and reading it again."""

    def say_probe(
        self,
        unit: str,
        *,
        who: str,
        probe_c: float,
        surface_c: float | None = None,
        note: str = "",
        now_ms: int,
    ) -> None:
        """Write down what a probe showed in the core and on the surface; it lowers no verdict."""
        signing.require_probe(probe_c)
        self._require_moment()
        body: dict[str, Any] = {"probe_c": probe_c}
        if surface_c is not None:
            signing.require_probe(surface_c)
            body["surface_c"] = surface_c
        self._say(unit, "probe", {**body, "note": note.strip()}, who=who, now_ms=now_ms)

    def say_note(self, unit: str, *, who: str, note: str, now_ms: int) -> None:
        """Write down a remark."""
        self._say(unit, "note", {"note": note.strip()}, who=who, now_ms=now_ms)

    def say_ice_point(
        self, unit: str, *, who: str, reading_c: float, channel: str = "cabinet", note: str = "", now_ms: int
    ) -> None:
        """Write down what a sensor showed in melting ice; it reaches back to the last good check."""
        signing.require_probe(reading_c)
        self._require_moment()
        body = {"reading_c": reading_c, "channel": channel, "note": note.strip()}
        self._say(unit, "ice_point", body, who=who, now_ms=now_ms)

    def say_signed(self, unit: str, *, who: str, note: str, now_ms: int) -> None:
        """Write down that somebody has looked through a unit's record and signs for it."""
        self._say(unit, "signed", {"note": note.strip()}, who=who, now_ms=now_ms)

    def say_there(self, unit: str, kind: SaidThere, *, who: str, note: str, now_ms: int) -> None:
        """Write down that somebody looked at a cabinet, asks for help there, or answered whoever did."""
        self._say(unit, kind, {"note": note.strip()}, who=who, now_ms=now_ms)

    def calls_for_help(self, *, since_ms: int) -> list[Statement]:
        """Return the newest call for help of each unit that nobody has answered, oldest first."""
        query = select(StatementRow).where(
            StatementRow.kind.in_(("help", "helped")), StatementRow.t_ms >= since_ms
        )
        with self._database.reading() as session:
            told = session.scalars(query.order_by(StatementRow.t_ms, StatementRow.no))
            newest = {row.unit: rows.statement_of(row) for row in told}
        return sorted((s for s in newest.values() if s.kind == "help"), key=lambda s: (s.t_ms, s.id))

    def context(self, unit: str) -> Context:
        """Return all that a new assessment of a unit builds on."""
        return self.contexts([unit], {})[unit]

    def contexts(self, units: Sequence[str], known: Mapping[str, Context]) -> dict[str, Context]:
        """Return the same for several units; `known`, from earlier calls, spares work and changes nothing."""
        with self._database.reading() as session:
            return signing.contexts_of(session, units, known)

    def sensor_checks(self, unit: str) -> tuple[SensorCheck, ...]:
        """Return the checks of a unit's sensors in melting ice, oldest first."""
        with self._database.reading() as session:
            return signing.checks_of(session, unit)

    def statements(self, unit: str, limit: int = 50) -> list[Statement]:
        """Return what people said of a unit, newest first."""
        query = select(StatementRow).where(StatementRow.unit == unit)
        with self._database.reading() as session:
            found = session.scalars(query.order_by(StatementRow.no.desc()).limit(limit))
            return [rows.statement_of(row) for row in found]

    def statements_after(self, no: int, limit: int = 1_000) -> list[Statement]:
        """Return what was said of any unit after a statement, oldest first."""
        query = select(StatementRow).where(StatementRow.no > no)
        with self._database.reading() as session:
            found = session.scalars(query.order_by(StatementRow.no).limit(limit))
            return [rows.statement_of(row) for row in found]

    def _require(self, unit: str, who: str) -> None:
        fleet = self.fleet()
        signing.require_unit(fleet, unit)
        signing.require_person(fleet, who)

    def _say(
        self,
        unit: str,
        kind: str,
        body: Mapping[str, Any],
        *,
        who: str,
        now_ms: int,
    ) -> None:
        self._require(unit, who)
        with self._database.writing() as session:
            signing.put_statement(session, unit, kind, body, who=who, now_ms=self._moment_ms(now_ms))
