"""The one door to the records; every method is one short transaction, usable from several processes."""

import copy
import json
import secrets
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import URL, select

from services.domain import Analysis, Fleet, Person, UnitCard, UnitState
from services.records import batchbook, batchsigns, fleetbook, rows, signing, state, taughtbook
from services.records.accountdesk import AccountRecords
from services.records.auditdesk import AuditRecords
from services.records.batchdesk import BatchRecords
from services.records.carried import moved_on
from services.records.correctiondesk import CorrectionRecords
from services.records.database import Database
from services.records.describedesk import DescriptionRecords
from services.records.fleetdesk import FleetRecords
from services.records.healthdesk import HealthRecords
from services.records.historydesk import HistoryRecords
from services.records.jobdesk import JobRecords
from services.records.kept import Kept
from services.records.noticedesk import NoticeRecords
from services.records.operatordesk import OperatorRecords
from services.records.outbox import OutboxRecords
from services.records.pindesk import PinRecords
from services.records.reachdesk import ReachRecords
from services.records.runtestdesk import RunTestRecords
from services.records.said import (
    KeptEpisode,
    QueuedCommand,
    Result,
    Signed,
    Taught,
    VerdictChange,
)
from services.records.tables import (
    AnalysisRow,
    CommandRow,
    EpisodeRow,
    StateRow,
    VerdictChangeRow,
)

_COMMAND_LIFE_S = 3_600


class Records(
    BatchRecords,
    CorrectionRecords,
    OperatorRecords,
    HistoryRecords,
    DescriptionRecords,
    FleetRecords,
    AccountRecords,
    PinRecords,
    JobRecords,
    RunTestRecords,
    HealthRecords,
    NoticeRecords,
    ReachRecords,
    OutboxRecords,
    AuditRecords,
):
    """What people own and say, what was made of it, and what waits to be sent."""

    def __init__(self, path_or_url: Path | str | URL) -> None:
        """Open a SQLite file or a database by its URL, bringing its tables to the newest form."""
        super().__init__()
        self._database = Database(path_or_url)
        self._fleet: tuple[tuple[int, int], Fleet] | None = None
        self._cards: dict[str, tuple[int, UnitCard]] = {}

    def close(self) -> None:
        """Release every connection."""
        self._database.close()

    def signing(self, how: Signed) -> "Records":
        """Return the same records, which note of everything said through them how it was signed."""
        found = copy.copy(self)
        found._database = self._database.signing(how)  # noqa: SLF001 - a copy of ourselves
        return found

    def kept(self, word: Kept) -> "Records":
        """Return the same records for writing one word that was kept elsewhere until it could be sent."""
        found = copy.copy(self)
        found._database = self._database.keeping(word)  # noqa: SLF001 - a copy of ourselves
        return found

    # What people own.

    def fleet(self, at_ms: int | None = None) -> Fleet:
        """Return the fleet as people described it at a moment, by default now."""
        with self._database.reading() as session:
            if at_ms is not None:
                return fleetbook.fleet_at(session, at_ms)
            version = fleetbook.fleet_version(session)
            if self._fleet is None or self._fleet[0] != version:
                self._fleet = (version, fleetbook.fleet_at(session, None))
            return self._fleet[1]

    def fleet_changes(self, start_ms: int, end_ms: int) -> tuple[int, ...]:
        """Return the moments in ``[start_ms, end_ms)`` at which anything of the fleet was described anew."""
        with self._database.reading() as session:
            return fleetbook.change_times(session, start_ms, end_ms)

    def known_units(self) -> frozenset[str]:
        """Return the ids of the units that are described."""
        return frozenset(unit.id for unit in self.fleet().units)

    def people(self) -> tuple[Person, ...]:
        """Return who may sign."""
        return self.fleet().people

    def add_person(self, person: Person, *, now_ms: int, who: str = "operator") -> None:
        """Add somebody who may sign, or change the role."""
        with self._database.writing() as session:
            fleetbook.put_person(session, person, who=who, now_ms=now_ms)

    def remove_person(self, name: str, *, now_ms: int, who: str = "operator") -> None:
        """Take a person away; what was signed stays signed."""
        with self._database.writing() as session:
            fleetbook.drop_person(session, name, who=who, now_ms=now_ms)

    # What people say.

    def say_unit_state(self, unit: str, state: UnitState, who: str, now_ms: int) -> None:
        """Write down what a unit is used for; said empty, its food clock ends.

        Raises
        ------
        Refused
            If unit or person is unknown, or somebody said otherwise since.
        """
        self._require(unit, who)
        self._require_moment()
        at_ms = self._moment_ms(now_ms)
        with self._database.writing() as session:
            signing.require_newest(session, unit, "unit_state", at_ms)
            fleetbook.say_state(session, unit, state, who=who, now_ms=at_ms)
            signing.show_state(session, unit, state)
            if state == "empty":
                batchsigns.emptied(session, unit, who=who, t_ms=at_ms, now_ms=now_ms)

    def say_emptied(self, unit: str, *, who: str, now_ms: int) -> None:
        """Write down that a unit holds nothing any more: its food clock ends, a hold stays."""
        self._require(unit, who)
        with self._database.writing() as session:
            signing.put_statement(session, unit, "emptied", {}, who=who, now_ms=now_ms, ends_clock=True)
            batchsigns.emptied(session, unit, who=who, t_ms=now_ms, now_ms=now_ms)

    def release_hold(
        self,
        unit: str,
        *,
        who: str,
        probe_c: float,
        disposition: str,
        reason: str,
        now_ms: int,
        to_unit: str | None = None,
    ) -> None:
        """Close a hold: by a known person, with probe reading, disposition and reason.

        It speaks for every batch in the cabinet. `to_unit` is where food was moved; food that nobody
        recorded becomes a batch there, with the minutes it has behind it.

        Raises
        ------
        Refused
            If anything of that is missing, no hold stands, or discard is advised and the food is
            not discarded.
        """
        self._require(unit, who)
        self._require_at_once()
        fleet = self.fleet()
        with self._database.writing() as session:
            batchsigns.check_release(session, fleet, unit, disposition=disposition, to_unit=to_unit)
            said = signing.release(
                session,
                unit,
                who=who,
                probe_c=probe_c,
                disposition=disposition,
                reason=reason,
                now_ms=now_ms,
            )
            batchsigns.speak_for(session, fleet, unit, body=said, who=who, to_unit=to_unit, now_ms=now_ms)
            words = signing.closing_words(who, disposition, reason.strip())
            signing.lower(session, unit, why=words, now_ms=now_ms, joined=batchsigns.with_batches)

    def clock_from_ms(self, unit: str) -> int | None:
        """Return when a unit was last said to hold nothing."""
        return self.context(unit).clock_from_ms

    # What was made of it.

    def write_results(
        self, results: Sequence[Result], *, now_ms: int, position: int | None = None
    ) -> frozenset[str]:
        """Keep assessments and, in the same transaction, the monitor's place in the change feed.

        Returns
        -------
        frozenset of str
            Units about which somebody said something since their assessment was begun; nothing was
            kept for them, they must be assessed again, and `position` was not moved then.
        """
        prepared = [state.Prepared.of(result) for result in results]
        units = [result.card.unit for result in results]
        with self._database.writing() as session:
            newest = signing.newest_words(session, units)
            current = [p for p in prepared if newest.get(p.result.card.unit, 0) == p.result.statement_no]
            if current:
                state.put_results(session, current, now_ms=now_ms)
                batchbook.keep(session, [b for p in current for b in p.result.batches])
                for p in current:
                    taughtbook.keep(session, p.result.card.unit, p.result.taught, now_ms=now_ms)
            overtaken = frozenset(units) - {p.result.card.unit for p in current}
            if position is not None and not overtaken:
                state.set_counter(session, state.MONITOR_POSITION, position)
        return overtaken

    def taught(self, unit: str, *, from_ms: int, until_ms: int) -> Taught | None:
        """Return what a unit's bank taught by the oldest kept day of a stretch, else by the newest before."""
        with self._database.reading() as session:
            return taughtbook.carried(session, unit, from_ms=from_ms, until_ms=until_ms)

    def write_card(self, card: UnitCard, analysis: Analysis | Mapping[str, Any]) -> None:
        """Keep one assessment as it stands, whatever was said meanwhile."""
        if not isinstance(analysis, Analysis):
            analysis = Analysis.model_validate(analysis)
        result = Result(card, analysis, self.context(card.unit).statement_no)
        self.write_results([result], now_ms=card.as_of)

    def cards(self) -> list[UnitCard]:
        """Return the card of every assessed unit of the fleet, in the order of their ids."""
        known = self.known_units()
        with self._database.reading() as session:
            numbers = {
                r.unit: r.change_no for r in session.execute(select(StateRow.unit, StateRow.change_no))
            }
            stale = [u for u, no in numbers.items() if self._cards.get(u, (0, None))[0] != no]
            if stale:
                query = select(StateRow.unit, StateRow.change_no, StateRow.card)
                query = query if len(stale) > len(numbers) // 4 else query.where(StateRow.unit.in_(stale))
                for unit, no, card in session.execute(query):
                    self._cards[unit] = (no, UnitCard.model_validate_json(card))
        return [self._cards[unit][1] for unit in sorted(known & numbers.keys())]

    def card(self, unit: str) -> UnitCard | None:
        """Return the card of a unit of the fleet, None before its first assessment."""
        if unit not in self.known_units():
            return None
        with self._database.reading() as session:
            card = session.scalar(select(StateRow.card).where(StateRow.unit == unit))
        return None if card is None else UnitCard.model_validate_json(card)

    def analysis(self, unit: str) -> dict[str, Any] | None:
        """Return the newest analysis of a unit as JSON, None before its first assessment."""
        with self._database.reading() as session:
            query = select(AnalysisRow.analysis, StateRow.moved).where(AnalysisRow.unit == unit)
            found = session.execute(query.join(StateRow, StateRow.unit == AnalysisRow.unit)).first()
        if found is None:
            return None
        analysis: dict[str, Any] = json.loads(found[0])
        return analysis if found[1] is None else moved_on(analysis, json.loads(found[1]))

    def change_no(self) -> int:
        """Return the number of the newest change of the state table."""
        with self._database.reading() as session:
            return state.counter(session, state.CHANGE_NO)

    def cards_changed_after(self, no: int) -> list[tuple[int, UnitCard]]:
        """Return cards with a higher change number, oldest change first."""
        query = select(StateRow.change_no, StateRow.card).where(StateRow.change_no > no)
        with self._database.reading() as session:
            found = session.execute(query.order_by(StateRow.change_no)).all()
        return [(change, UnitCard.model_validate_json(card)) for change, card in found]

    def verdict_history(self, unit: str, limit: int = 200) -> list[VerdictChange]:
        """Return changes of a unit's verdicts, newest first."""
        query = select(VerdictChangeRow).where(VerdictChangeRow.unit == unit)
        with self._database.reading() as session:
            found = session.scalars(query.order_by(VerdictChangeRow.no.desc()).limit(limit))
            return [rows.change_of(row) for row in found]

    def episodes(self, unit: str, *, withdrawn: bool = False) -> list[KeptEpisode]:
        """Return the kept episodes of a unit, newest first; those withdrawn only when asked for."""
        query = select(EpisodeRow).where(EpisodeRow.unit == unit)
        if not withdrawn:
            query = query.where(EpisodeRow.withdrawn_ms.is_(None))
        with self._database.reading() as session:
            found = session.scalars(query.order_by(EpisodeRow.start_ms.desc(), EpisodeRow.no))
            return [rows.episode_of(row) for row in found]

    # What waits to be sent, and who is alive.

    def queue_command(
        self,
        unit: str,
        name: str,
        arguments: Mapping[str, Any] | None = None,
        *,
        who: str,
        now_ms: int,
        life_s: int = _COMMAND_LIFE_S,
    ) -> QueuedCommand:
        """Queue a command for ingest to publish; after `life_s` it makes no sense any more."""
        self._require(unit, who)
        with self._database.writing() as session:
            row = CommandRow(
                unit=unit,
                name=name,
                arguments=json.dumps(dict(arguments or {})),
                who=who,
                queued_ms=now_ms,
                expires_ms=now_ms + life_s * 1000,
                correlation=secrets.token_hex(16),
            )
            session.add(row)
            session.flush()
            return rows.command_of(row)

    def commands_after(self, no: int) -> list[QueuedCommand]:
        """Return commands queued after one, oldest first."""
        with self._database.reading() as session:
            found = session.scalars(select(CommandRow).where(CommandRow.no > no).order_by(CommandRow.no))
            return [rows.command_of(row) for row in found]

    def monitor_position(self) -> int:
        """Return the monitor's place in the change feed."""
        with self._database.reading() as session:
            return state.counter(session, state.MONITOR_POSITION)

    def set_monitor_position(self, position: int) -> None:
        """Keep the monitor's place in the change feed."""
        with self._database.writing() as session:
            state.set_counter(session, state.MONITOR_POSITION, position)
