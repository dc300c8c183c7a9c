"""The state table: cards, analyses, episodes and changes of verdict, written by the monitor."""

from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

from sqlalchemy import CursorResult, bindparam, insert, select, update
from sqlalchemy import Table as PlainTable
from sqlalchemy.orm import Session

from services.domain import Analysis, Episode, Exposure, UnitCard
from services.records.carried import moved_json
from services.records.said import Origin, Result, Standing
from services.records.tables import AnalysisRow, CounterRow, EpisodeRow, StateRow, Table, VerdictChangeRow

CHANGE_NO = "change_no"
MONITOR_POSITION = "monitor_position"


_COUNTERS, _STATES, _ANALYSES = (
    Table.metadata.tables[row.__tablename__] for row in (CounterRow, StateRow, AnalysisRow)
)
"""Written to without objects in between, and by statements made once: half of what a write costs."""
_COUNTED = select(_COUNTERS.c.value).where(_COUNTERS.c.name == bindparam("counter"))
_COUNT = update(_COUNTERS).where(_COUNTERS.c.name == bindparam("counter")).values(value=bindparam("now"))
_KNOWN = select(_STATES.c.unit, _STATES.c.computed, _STATES.c.standing).where(
    _STATES.c.unit.in_(bindparam("units", expanding=True))
)
_OF_UNIT = "of_unit"
_AGAIN = {table: update(table).where(table.c.unit == bindparam(_OF_UNIT)) for table in (_STATES, _ANALYSES)}


def counter(session: Session, name: str) -> int:
    """Return a number that goes on, 0 before its first use."""
    return session.scalar(_COUNTED, {"counter": name}) or 0


def set_counter(session: Session, name: str, value: int) -> None:
    """Keep a number that goes on."""
    kept = cast("CursorResult[Any]", session.execute(_COUNT, {"counter": name, "now": value}))
    if not kept.rowcount:
        session.execute(insert(_COUNTERS), {"name": name, "value": value})


def next_change_no(session: Session) -> int:
    """Return the number of the next change of the state table."""
    number = counter(session, CHANGE_NO) + 1
    set_counter(session, CHANGE_NO, number)
    return number


@dataclass(frozen=True, slots=True)
class Prepared:
    """A result with its JSON made, so that the write lock is not held meanwhile."""

    result: Result
    card: str
    analysis: str | None
    """None where it only goes on from the one that is kept."""
    moved: str | None

    @staticmethod
    def of(result: Result) -> "Prepared":
        """Return a result made ready to be written."""
        card, before = result.card.model_dump_json(), result.goes_on_from
        if before is None:
            return Prepared(result, card, result.analysis.model_dump_json(by_alias=True), None)
        return Prepared(result, card, None, moved_json(result.analysis, before))


def put_results(session: Session, prepared: Sequence[Prepared], *, now_ms: int) -> None:
    """Keep assessments, what they changed, and their episodes; few statements for many units."""
    units = [p.result.card.unit for p in prepared]
    known = session.execute(_KNOWN, {"units": units})
    before = {unit: (computed, standing) for unit, computed, standing in known}
    number = counter(session, CHANGE_NO)
    rows = [
        {
            **_columns_of(p.result, p.card, change_no=number + place),
            "unit": p.result.card.unit,
            "moved": p.moved,
            "assessed_ms": p.result.card.as_of,
        }
        for place, p in enumerate(prepared, start=1)
    ]
    _put_rows(session, _STATES, rows, before)
    whole = [p for p in prepared if p.analysis is not None]
    analyses = [{"unit": p.result.card.unit, "analysis": p.analysis} for p in whole]
    _put_rows(session, _ANALYSES, analyses, before)
    set_counter(session, CHANGE_NO, number + len(rows))
    for p in prepared:
        own, card, was = p.result.own, p.result.card, before.get(p.result.card.unit)
        if was == (card.computed.value, own.verdict.value):
            continue
        stands = {"standing": own.verdict, "standing_since": own.since_ms, "standing_why": own.why}
        moved = card.model_copy(update=stands)
        note_change(session, was, moved, origin=p.result.origin, now_ms=now_ms)
    found = [a for p in whole for a in (*p.result.past, p.result.analysis)]
    put_episodes(session, found, now_ms=now_ms)


def _put_rows(
    session: Session, table: PlainTable, rows: Sequence[Mapping[str, object]], known: Container[object]
) -> None:
    """Write one row a unit, of units that are known over the one they have."""
    fresh = [row for row in rows if row["unit"] not in known]
    again = [
        {_OF_UNIT if name == "unit" else name: value for name, value in row.items()}
        for row in rows
        if row["unit"] in known
    ]
    if fresh:
        session.execute(insert(table), fresh)
    if again:
        session.execute(_AGAIN[table], again)


def _columns_of(result: Result, card_json: str, *, change_no: int) -> dict[str, object]:
    return {
        "change_no": change_no,
        "card": card_json,
        "computed": result.card.computed.value,
        **_standing_columns(result.own),
    }


def _standing_columns(own: Standing) -> dict[str, object]:
    return {
        "standing": own.verdict.value,
        "standing_since_ms": own.since_ms,
        "standing_why": own.why,
    }


def put_card(session: Session, row: StateRow, card: UnitCard, *, own: Standing | None = None) -> None:
    """Put a card that a person changed into its row, under a new change number.

    `own` is what stands of the unit's own clock, where that changed.
    """
    columns: dict[str, object] = {
        "change_no": next_change_no(session),
        "card": card.model_dump_json(),
        "computed": card.computed.value,
    }
    if own is not None:
        columns |= _standing_columns(own)
    for name, value in columns.items():
        setattr(row, name, value)
    session.flush()


def note_change(
    session: Session, before: tuple[str, str] | None, card: UnitCard, *, origin: Origin, now_ms: int
) -> None:
    """Write down that a verdict of a unit's own clock changed, if it did.

    `before` is what was computed and what stood of it, `card` shows both as they are now.
    """
    if before == (card.computed.value, card.standing.value):
        return
    moved = before is None or before[1] != card.standing.value
    session.add(
        VerdictChangeRow(
            unit=card.unit,
            t_ms=card.standing_since if moved and card.standing_since is not None else card.as_of,
            recorded_ms=now_ms,
            computed=card.computed.value,
            standing=card.standing.value,
            standing_before=None if before is None else before[1],
            origin=origin,
            why=card.standing_why if moved else card.computed_why,
        )
    )


_Clock = tuple[str, str, float, str]
"""Unit, rule, limit and basis."""


def put_episodes(session: Session, analyses: Sequence[Analysis], *, now_ms: int) -> None:
    """Bring the kept episodes in line with what analyses found in their windows, one after the other."""
    judged = [(a, exposure) for a in analyses for exposure in a.exposure if exposure.rule is not None]
    if not judged:
        return
    kept: dict[_Clock, list[EpisodeRow]] = {}
    for row in session.scalars(
        select(EpisodeRow).where(
            EpisodeRow.unit.in_({analysis.unit for analysis, _ in judged}),
            EpisodeRow.end_ms >= min(exposure.start for _, exposure in judged),
        )
    ):
        kept.setdefault((row.unit, row.rule, row.limit_c, row.basis), []).append(row)
    for analysis, exposure in judged:
        clock = (analysis.unit, exposure.rule or "", exposure.limit_c, exposure.basis)
        rows = kept.setdefault(clock, [])
        inside = [r for r in rows if r.end_ms >= exposure.start and r.start_ms < analysis.as_of]
        rows += _put_clock(session, analysis, exposure, inside, now_ms=now_ms)


def _put_clock(
    session: Session, analysis: Analysis, exposure: Exposure, kept: Sequence[EpisodeRow], *, now_ms: int
) -> list[EpisodeRow]:
    """Revise, withdraw and add the rows of one clock; return those that were added."""
    stay: set[int] = set()
    added = []
    for episode in exposure.episodes:
        row = _row_of(kept, episode, clock_start_ms=exposure.start)
        if row is None:
            added.append(_new_row(analysis.unit, exposure, episode))
        else:
            stay.add(row.start_ms)
            _revise(row, episode, as_of_ms=analysis.as_of)
    for row in kept:
        if row.start_ms not in stay and row.start_ms >= exposure.start and row.withdrawn_ms is None:
            row.withdrawn_ms = now_ms
    session.add_all(added)
    return added


def _row_of(kept: Iterable[EpisodeRow], episode: Episode, *, clock_start_ms: int) -> EpisodeRow | None:
    """Return the row an episode goes on with.

    The clock's start moves with the hours, so an episode that begins right at it is the rest of one
    that is kept already.
    """
    same = [row for row in kept if row.start_ms == episode.start]
    if same or episode.start > clock_start_ms:
        return same[0] if same else None
    running = [row for row in kept if row.start_ms < episode.start <= row.end_ms and row.withdrawn_ms is None]
    return running[0] if running else None


def _revise(row: EpisodeRow, episode: Episode, *, as_of_ms: int) -> None:
    """Bring a row up to date; an episode cut short by its as-of time takes nothing from a longer row."""
    whole = row.start_ms == episode.start and (episode.end < as_of_ms or episode.end >= row.end_ms)
    changed = (
        episode.end if episode.end < as_of_ms else max(row.end_ms, episode.end),
        episode.peak_c if whole else max(row.peak_c, episode.peak_c),
        episode.mean_c if whole else row.mean_c,
    )
    if (row.end_ms, row.peak_c, row.mean_c) != changed or row.withdrawn_ms is not None:
        row.end_ms, row.peak_c, row.mean_c = changed
        row.withdrawn_ms = None


def _new_row(unit: str, exposure: Exposure, episode: Episode) -> EpisodeRow:
    return EpisodeRow(
        unit=unit,
        rule=exposure.rule,
        limit_c=exposure.limit_c,
        basis=exposure.basis,
        start_ms=episode.start,
        end_ms=episode.end,
        peak_c=episode.peak_c,
        mean_c=episode.mean_c,
    )
