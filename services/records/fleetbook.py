"""Sites, banks, units, people, own rules and templates as dated rows: what was true when, and who said so."""

from collections.abc import Iterator
from dataclasses import dataclass

from pydantic import BaseModel
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from services.domain import (
    Bank,
    BatchTemplate,
    Fleet,
    HouseRules,
    Person,
    ServiceRule,
    Site,
    Unit,
    UnitState,
)
from services.records.tables import DatedRow, StatementRow

Described = Site | Bank | Unit | Person | HouseRules | BatchTemplate | ServiceRule

_MODELS: dict[str, type[BaseModel]] = {
    "site": Site,
    "bank": Bank,
    "unit": Unit,
    "person": Person,
    "house_rules": HouseRules,
    "template": BatchTemplate,
    "service_rule": ServiceRule,
}


def key_of(item: Described) -> str:
    """Return what a described thing is found by: the id, of people and own rules the name."""
    if isinstance(item, BatchTemplate):
        return item.what
    return item.name if isinstance(item, Person | HouseRules | ServiceRule) else item.id


def fleet_version(session: Session) -> tuple[int, int]:
    """Return two numbers that change whenever the fleet, as people describe it, does."""
    said = select(func.max(StatementRow.no)).where(StatementRow.kind == "unit_state").scalar_subquery()
    row = session.execute(select(select(func.max(DatedRow.no)).scalar_subquery(), said)).one()
    return row[0] or 0, row[1] or 0


def change_times(session: Session, start_ms: int, end_ms: int) -> tuple[int, ...]:
    """Return the moments in ``[start_ms, end_ms)`` at which anything was described anew."""
    moments = (
        select(DatedRow.valid_from_ms)
        .where(DatedRow.valid_from_ms >= start_ms, DatedRow.valid_from_ms < end_ms)
        .distinct()
        .order_by(DatedRow.valid_from_ms)
    )
    return tuple(session.scalars(moments))


def fleet_at(session: Session, at_ms: int | None) -> Fleet:
    """Return the fleet as it was described at a moment; None: as it is described now."""
    newest: dict[tuple[str, str], str | None] = {}
    rows = select(DatedRow.kind, DatedRow.key, DatedRow.value).order_by(DatedRow.no)
    if at_ms is not None:
        rows = rows.where(DatedRow.valid_from_ms <= at_ms)
    for kind, key, value in session.execute(rows):
        newest[kind, key] = value
    found: dict[str, list[BaseModel]] = {kind: [] for kind in _MODELS}
    for (kind, _key), value in newest.items():
        if value is not None:
            found[kind].append(_MODELS[kind].model_validate_json(value))
    fleet = Fleet.model_validate(
        {
            "sites": tuple(found["site"]),
            "banks": tuple(found["bank"]),
            "units": tuple(found["unit"]),
            "people": tuple(found["person"]),
            "house_rules": tuple(found["house_rules"]),
            "templates": tuple(found["template"]),
            "service_rules": tuple(found["service_rule"]),
        }
    )
    return _with_states(fleet, _states_at(session, at_ms))


@dataclass(frozen=True, slots=True)
class Saying:
    """Who describes something anew, when, why, and from when it holds."""

    who: str
    now_ms: int
    why: str | None = None
    from_ms: int | None = None
    """None: from now on."""


def apply(session: Session, fleet: Fleet, said_by: Saying) -> None:
    """Add a row for everything that a fleet describes otherwise than the newest rows do.

    What is no longer described is taken away; people are not, so that a file without people does
    not silence those who were added by name.
    """
    said = _states_at(session, None)
    before = {(kind, key_of(item)): item for kind, item in items_of(described(session))}
    after = {(kind, key_of(item)): item for kind, item in items_of(fleet)}
    for (kind, key), item in after.items():
        old = before.get((kind, key))
        if old != item:
            _add(session, kind, key, item, said_by)
        if isinstance(item, Unit) and item.id in said:
            stated = old.state if isinstance(old, Unit) else None
            if stated is not None and stated != item.state:
                say_state(session, item.id, item.state, who=said_by.who, now_ms=said_by.now_ms)
    for kind, key in sorted(before.keys() - after.keys()):
        if kind != "person":
            _add(session, kind, key, None, said_by)
    session.flush()


def described(session: Session) -> Fleet:
    """Return the fleet as it was described, whatever people said of its units' use since."""
    return _with_file_states(session, fleet_at(session, None))


def newest_row(session: Session, kind: str | None = None, key: str | None = None) -> int:
    """Return the number of the newest row, of one thing where it is named; 0 where there is none."""
    query = select(func.max(DatedRow.no))
    if kind is not None:
        query = query.where(DatedRow.kind == kind, DatedRow.key == key)
    return session.scalar(query) or 0


def described_since(session: Session, kind: str, key: str) -> int | None:
    """Return from when the newest description of a thing holds [ms]; None where there is none."""
    query = select(DatedRow.valid_from_ms).where(DatedRow.kind == kind, DatedRow.key == key)
    return session.scalar(query.order_by(DatedRow.no.desc()).limit(1))


def put_person(session: Session, person: Person, *, who: str, now_ms: int) -> None:
    """Add somebody who may sign, or change the role."""
    _add(session, "person", person.name, person, Saying(who, now_ms))


def drop_person(session: Session, name: str, *, who: str, now_ms: int) -> None:
    """Take a person away; what was signed stays signed."""
    _add(session, "person", name, None, Saying(who, now_ms))


def say_state(session: Session, unit: str, state: UnitState, *, who: str, now_ms: int) -> StatementRow:
    """Write down what a unit is used for; said empty, it holds nothing from then on."""
    row = StatementRow(
        unit=unit,
        kind="unit_state",
        who=who,
        t_ms=now_ms,
        body=f'{{"state":"{state}"}}',
        ends_clock=state == "empty",
    )
    session.add(row)
    return row


def items_of(fleet: Fleet) -> Iterator[tuple[str, Described]]:
    """Yield everything a fleet describes, with its kind."""
    yield from (("site", site) for site in fleet.sites)
    yield from (("bank", bank) for bank in fleet.banks)
    yield from (("unit", unit) for unit in fleet.units)
    yield from (("person", person) for person in fleet.people)
    yield from (("house_rules", house) for house in fleet.house_rules)
    yield from (("template", template) for template in fleet.templates)
    yield from (("service_rule", rule) for rule in fleet.service_rules)


def _add(session: Session, kind: str, key: str, item: BaseModel | None, said_by: Saying) -> None:
    from_ms = said_by.now_ms if said_by.from_ms is None else said_by.from_ms
    session.add(
        DatedRow(
            kind=kind,
            key=key,
            valid_from_ms=from_ms,
            who=said_by.who,
            value=None if item is None else item.model_dump_json(),
            why=said_by.why,
            said_ms=None if from_ms == said_by.now_ms else said_by.now_ms,
        )
    )


def _states_at(session: Session, at_ms: int | None) -> dict[str, UnitState]:
    """Return what people last said each unit is used for."""
    rows = (
        select(StatementRow.unit, StatementRow.body)
        .where(StatementRow.kind == "unit_state")
        .order_by(StatementRow.no)
    )
    if at_ms is not None:
        rows = rows.where(StatementRow.t_ms <= at_ms)
    return {unit: StateBody.model_validate_json(body).state for unit, body in session.execute(rows)}


def _with_states(fleet: Fleet, states: dict[str, UnitState]) -> Fleet:
    units = tuple(
        unit.model_copy(update={"state": states[unit.id]}) if unit.id in states else unit
        for unit in fleet.units
    )
    return fleet.model_copy(update={"units": units})


def _with_file_states(session: Session, fleet: Fleet) -> Fleet:
    """Return the fleet with the unit states the file gave, whatever people said since."""
    newest = {
        key: value
        for key, value in session.execute(
            select(DatedRow.key, DatedRow.value).where(DatedRow.kind == "unit").order_by(DatedRow.no)
        )
        if value is not None
    }
    return _with_states(
        fleet,
        {unit.id: Unit.model_validate_json(newest[unit.id]).state for unit in fleet.units},
    )


class StateBody(BaseModel):
    """The body of a statement about what a unit is used for."""

    state: UnitState
