"""What a person may sign, and what is refused (food that passed a limit is never talked back)."""

import json
import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from typing import Any

from sqlalchemy import bindparam, func, select
from sqlalchemy.orm import Session

from services.domain import Fleet, SensorCheck, UnitCard, UnitState, Verdict
from services.errors import Refused
from services.records.corrections import corrections_of
from services.records.rows import check_of, probe_of, statement_of
from services.records.said import DISPOSITIONS, Context, Standing
from services.records.state import note_change, put_card
from services.records.tables import StatementRow, StateRow

COLDEST_PROBE_C, WARMEST_PROBE_C = -60.0, 120.0
"""What a probe in food can show; beyond it is a slip of the pen (judgement, no source)."""

_FOOD_IS_GONE = ("moved", "discarded")


def require_person(fleet: Fleet, who: str) -> None:
    """Refuse anything not said by somebody known by name."""
    if who not in {person.name for person in fleet.people}:
        raise Refused(f"{who or 'Nobody'} is not among the people who may sign.")


def require_unit(fleet: Fleet, unit: str) -> None:
    """Refuse anything said of a unit that nobody has described."""
    if unit not in {u.id for u in fleet.units}:
        raise Refused(f"There is no unit {unit!r}.")


def require_newest(session: Session, unit: str, kind: str, t_ms: int) -> None:
    """Refuse what was said on a phone before something newer of the same kind came from elsewhere."""
    query = select(StatementRow).where(
        StatementRow.unit == unit, StatementRow.kind == kind, StatementRow.t_ms > t_ms
    )
    newer = session.scalars(query.order_by(StatementRow.t_ms.desc()).limit(1)).first()
    if newer is not None:
        raise Refused(f"{newer.who} has said something newer of it since. Look again and say it anew.")


def require_probe(probe_c: float) -> None:
    """Refuse what cannot be a reading of a probe in food."""
    if not math.isfinite(probe_c) or not COLDEST_PROBE_C <= probe_c <= WARMEST_PROBE_C:
        raise Refused("A probe reading in °C is needed.")


def release(
    session: Session, unit: str, *, who: str, probe_c: float, disposition: str, reason: str, now_ms: int
) -> dict[str, Any]:
    """Write down how a hold was closed, and return what was written; `lower` then lowers what stands.

    Raises
    ------
    Refused
        Without a probe reading, a known disposition and a reason; when no hold stands; and after
        ``discard_advised`` for anything but discarding.
    """
    require_probe(probe_c)
    if disposition not in DISPOSITIONS:
        raise Refused(f"What happened to the food? One of: {', '.join(DISPOSITIONS)}.")
    if not reason.strip():
        raise Refused("A reason is needed.")
    row = session.get(StateRow, unit)
    card = None if row is None else UnitCard.model_validate_json(row.card)
    if row is None or card is None or card.standing.rank < Verdict.HOLD.rank:
        raise Refused("No hold stands on this unit.")
    if row.standing == Verdict.DISCARD_ADVISED and disposition != "discarded":
        raise Refused("Discard is advised: this food may only be discarded.")
    body: dict[str, Any] = {
        "probe_c": probe_c,
        "disposition": disposition,
        "reason": reason.strip(),
        "standing": row.standing,
        "computed": row.computed,
        "minutes_above": card.minutes_above,
        "minutes_worst_case": card.minutes_worst_case,
    }
    gone = disposition in _FOOD_IS_GONE
    put_statement(session, unit, "release", body, who=who, now_ms=now_ms, ends_clock=gone)
    return body


def put_statement(
    session: Session,
    unit: str,
    kind: str,
    body: Mapping[str, Any],
    *,
    who: str,
    now_ms: int,
    ends_clock: bool = False,
) -> None:
    """Write down something said of a unit."""
    session.add(
        StatementRow(
            unit=unit, kind=kind, who=who, t_ms=now_ms, body=json.dumps(dict(body)), ends_clock=ends_clock
        )
    )


def closing_words(who: str, disposition: str, reason: str) -> str:
    """Return what is said of a hold that was closed."""
    return f"hold closed by {who}: {disposition.replace('_', ' ')}; {reason}"


def lowered(computed: Verdict) -> Verdict:
    """Return what stands right after a sign-off: what was computed, though the hold itself is answered."""
    return computed if computed.rank < Verdict.HOLD.rank else Verdict.WATCH


def lower(
    session: Session, unit: str, *, why: str, now_ms: int, joined: Callable[[Session, UnitCard], UnitCard]
) -> None:
    """Lower what stands of a unit's own clock to what was computed, and show it `joined` with its batches."""
    row = session.get(StateRow, unit)
    if row is None:
        return
    card = UnitCard.model_validate_json(row.card)
    own = Standing(lowered(card.computed), now_ms, why)
    fresh = card.model_copy(update={"standing": own.verdict, "standing_since": now_ms, "standing_why": why})
    note_change(session, (row.computed, row.standing), fresh, origin="person", now_ms=now_ms)
    put_card(session, row, joined(session, fresh), own=own)


def show_state(session: Session, unit: str, state: UnitState) -> None:
    """Show on the card at once what a unit was said to be used for; the monitor judges it again."""
    row = session.get(StateRow, unit)
    if row is not None:
        put_card(session, row, UnitCard.model_validate_json(row.card).model_copy(update={"state": state}))


_NEWEST = (
    select(StatementRow.unit, func.max(StatementRow.no))
    .where(StatementRow.unit.in_(bindparam("units", expanding=True)))
    .group_by(StatementRow.unit)
)
_STANDING = select(
    StateRow.unit, StateRow.standing, StateRow.standing_since_ms, StateRow.standing_why, StateRow.assessed_ms
).where(StateRow.unit.in_(bindparam("units", expanding=True)))


def newest_words(session: Session, units: Collection[str]) -> dict[str, int]:
    """Return the newest statement about each of some units; units nobody said anything of are left out."""
    return {unit: no for unit, no in session.execute(_NEWEST, {"units": sorted(units)})}  # noqa: C416


def contexts_of(session: Session, units: Collection[str], known: Mapping[str, Context]) -> dict[str, Context]:
    """Return all that new assessments of some units build on.

    What people said is taken from `known`, earlier contexts, where nothing was said since; a PIN that was
    shown for it later is no new word.
    """
    newest = newest_words(session, units)
    stood = {row[0]: row[1:] for row in session.execute(_STANDING, {"units": sorted(units)})}
    found = {}
    for unit in units:
        no, before = newest.get(unit, 0), known.get(unit)
        if before is None or before.statement_no != no:
            before = _said_of(session, unit, no)
        standing, since_ms, why, assessed_ms = stood.get(unit, (None, None, "", None))
        stands = None if standing is None else Standing(Verdict(standing), since_ms, why)
        found[unit] = replace(before, standing=stands, assessed_ms=assessed_ms)
    return found


def _said_of(session: Session, unit: str, newest_no: int) -> Context:
    """Return what people said of a unit that a new assessment builds on."""

    def newest(*where: object) -> StatementRow | None:
        query = select(StatementRow).where(StatementRow.unit == unit, *where)  # type: ignore[arg-type]
        newest_first = query.order_by(StatementRow.t_ms.desc(), StatementRow.no.desc())
        return session.scalars(newest_first.limit(1)).first()

    fixed = corrections_of(session, unit)
    stands = StatementRow.no.not_in(fixed.withdrawn)
    emptied = newest(StatementRow.ends_clock, stands)
    signed = newest(StatementRow.kind == "release")
    probed = newest(StatementRow.kind == "probe", stands)
    return Context(
        statement_no=newest_no,
        clock_from_ms=None if emptied is None else emptied.t_ms,
        release=None if signed is None else statement_of(signed),
        standing=None,
        assessed_ms=None,
        checks=checks_of(session, unit),
        probe=None if probed is None else probe_of(probed, fixed.body_of(probed)),
    )


def checks_of(session: Session, unit: str) -> tuple[SensorCheck, ...]:
    """Return the checks of a unit's sensors in melting ice, oldest first."""
    query = select(StatementRow).where(StatementRow.unit == unit, StatementRow.kind == "ice_point")
    fixed = corrections_of(session, unit)
    said = session.scalars(query.order_by(StatementRow.no))
    return tuple(check_of(row, fixed.body_of(row)) for row in said if row.no not in fixed.withdrawn)
