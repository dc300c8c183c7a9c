"""The state table: cards, analyses, episodes and changes of verdict, written by the monitor."""

from collections.abc import Iterable, Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from services.domain import Analysis, Episode, Exposure, UnitCard, Verdict
from services.records.said import Origin, Result
from services.records.tables import CounterRow, EpisodeRow, StateRow, VerdictChangeRow

CHANGE_NO = "change_no"
MONITOR_POSITION = "monitor_position"


def counter(session: Session, name: str) -> int:
    """Return a number that goes on, 0 before its first use."""
    row = session.get(CounterRow, name)
    return 0 if row is None else row.value


def set_counter(session: Session, name: str, value: int) -> None:
    """Keep a number that goes on."""
    session.merge(CounterRow(name=name, value=value))


def next_change_no(session: Session) -> int:
    """Return the number of the next change of the state table."""
    number = counter(session, CHANGE_NO) + 1
    set_counter(session, CHANGE_NO, number)
    return number


def put_result(session: Session, result: Result, *, now_ms: int) -> None:
    """Keep one assessment, what it changed, and its episodes."""
    card = result.card
    row = session.get(StateRow, card.unit)
    note_change(session, row, card, origin=result.origin, now_ms=now_ms)
    if row is None:
        row = StateRow(unit=card.unit)
    row.analysis = result.analysis.model_dump_json(by_alias=True)
    row.assessed_ms = card.as_of
    put_card(session, row, card)
    for analysis in (*result.past, result.analysis):
        put_episodes(session, analysis, now_ms=now_ms)


def put_card(session: Session, row: StateRow, card: UnitCard) -> None:
    """Put a card into its row of the state table, under a new change number."""
    row.change_no = next_change_no(session)
    row.card = card.model_dump_json()
    row.computed = card.computed.value
    row.standing = card.standing.value
    row.standing_since_ms = card.standing_since
    row.standing_why = card.standing_why
    session.add(row)
    session.flush()


def note_change(
    session: Session, row: StateRow | None, card: UnitCard, *, origin: Origin, now_ms: int
) -> None:
    """Write down that a verdict changed, if it did."""
    if row is not None and (row.computed, row.standing) == (card.computed.value, card.standing.value):
        return
    rises = row is None or card.standing.rank != Verdict(row.standing).rank
    session.add(
        VerdictChangeRow(
            unit=card.unit,
            t_ms=card.standing_since if rises and card.standing_since is not None else card.as_of,
            recorded_ms=now_ms,
            computed=card.computed.value,
            standing=card.standing.value,
            standing_before=None if row is None else row.standing,
            origin=origin,
            why=card.standing_why if rises else card.computed_why,
        )
    )


def put_episodes(session: Session, analysis: Analysis, *, now_ms: int) -> None:
    """Bring the kept episodes of a unit in line with what an analysis found in its windows."""
    judged = [exposure for exposure in analysis.exposure if exposure.rule is not None]
    if not judged:
        return
    earliest = min(exposure.start for exposure in judged)
    kept: dict[tuple[str, float, str], list[EpisodeRow]] = {}
    for row in session.scalars(
        select(EpisodeRow).where(
            EpisodeRow.unit == analysis.unit,
            EpisodeRow.end_ms >= earliest,
            EpisodeRow.start_ms < analysis.as_of,
        )
    ):
        kept.setdefault((row.rule, row.limit_c, row.basis), []).append(row)
    for exposure in judged:
        rows = kept.get((exposure.rule or "", exposure.limit_c, exposure.basis), [])
        _put_clock(session, analysis, exposure, rows, now_ms=now_ms)


def _put_clock(
    session: Session, analysis: Analysis, exposure: Exposure, kept: Sequence[EpisodeRow], *, now_ms: int
) -> None:
    stay: set[int] = set()
    for episode in exposure.episodes:
        row = _row_of(kept, episode, clock_start_ms=exposure.start)
        if row is None:
            session.add(_new_row(analysis.unit, exposure, episode))
        else:
            stay.add(row.start_ms)
            _revise(row, episode, as_of_ms=analysis.as_of)
    for row in kept:
        if row.start_ms not in stay and row.start_ms >= exposure.start and row.withdrawn_ms is None:
            row.withdrawn_ms = now_ms


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
