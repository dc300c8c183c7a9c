"""A machine's days as rows, the moments that set its baselines anew, and how far it is all worked out."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, TypeVar

import orjson
from sqlalchemy import delete, func, insert, select
from sqlalchemy.orm import Session

from services.domain import Bank, Finding, HealthDay, MarkKind, Middle, ServiceMark, Unit, Usual
from services.records import jobbook
from services.records.healthtables import DAYS, LISTS, MIDDLES, NUMBERS, WORDS, HealthStateRow
from services.records.tables import DatedRow
from services.timebase import DAY_MS

_Described = TypeVar("_Described", Unit, Bank)

KEEP_MS = 800 * DAY_MS
"""Two years, and a season to compare them with."""
_PLAIN = ("measured_on", "on_battery", "hours_seen", *WORDS, *NUMBERS)
"""Parts of a day that stand in a column as they are."""


@dataclass(frozen=True, slots=True)
class Use:
    """How much a machine was used over some days."""

    days: int
    """On which it was heard."""
    hours_seen: float
    hours_run: float
    starts: float
    dust_h: float


@dataclass(frozen=True, slots=True)
class HealthState:
    """How far a unit's days are worked out."""

    next_ms: int
    found_ms: int | None
    findings: tuple[Finding, ...] = ()
    usual: tuple[Usual, ...] = ()


def days_of(session: Session, unit: str, start_ms: int, end_ms: int) -> tuple[HealthDay, ...]:
    """Return the kept days of a unit that begin in ``[start_ms, end_ms)``, in order of time."""
    query = select(*(DAYS.c[name] for name in ("day_ms", *LISTS, *_PLAIN)))
    chosen = query.where(DAYS.c.unit == unit, DAYS.c.day_ms >= start_ms, DAYS.c.day_ms < end_ms)
    return tuple(_day(*row) for row in session.execute(chosen.order_by(DAYS.c.day_ms)))


def _day(day_ms: int, has: str, marks: str, *plain: object) -> HealthDay:
    told = {name: value for name, value in zip(_PLAIN, plain, strict=True) if value is not None}
    lists = {"has": tuple(has.split(",")) if has else (), "marks": tuple(marks.split(",")) if marks else ()}
    return HealthDay.model_validate(told | lists | {"day": day_ms})


def _row(unit: str, day: HealthDay) -> dict[str, object]:
    lists = {name: ",".join(getattr(day, name)) for name in LISTS}
    return {"unit": unit, "day_ms": day.day, **{name: getattr(day, name) for name in _PLAIN}, **lists}


def use_of(session: Session, start_ms: int, end_ms: int) -> dict[str, Use]:
    """Return by unit how much it was used on days that begin in ``[start_ms, end_ms)``."""
    summed = (DAYS.c.hours_seen, DAYS.c.hours_run, DAYS.c.starts, DAYS.c.dust_h)
    query = (
        select(DAYS.c.unit, func.count(), *(func.coalesce(func.sum(each), 0.0) for each in summed))
        .where(DAYS.c.day_ms >= start_ms, DAYS.c.day_ms < end_ms)
        .group_by(DAYS.c.unit)
    )
    return {unit: Use(days, *map(float, found)) for unit, days, *found in session.execute(query)}


def middles_of(session: Session) -> dict[str, list[Middle]]:
    """Return by unit what its last weeks come to."""
    query = select(*(MIDDLES.c[name] for name in ("unit", *Middle._fields)))
    found: dict[str, list[Middle]] = {}
    for unit, *told in session.execute(query.order_by(MIDDLES.c.unit, MIDDLES.c.name)):
        found.setdefault(unit, []).append(Middle._make(told))
    return found


def put_days(session: Session, unit: str, days: Sequence[HealthDay], *, start_ms: int, end_ms: int) -> None:
    """Keep what the days of a stretch are, in place of what they were; very old ones go."""
    session.execute(
        delete(DAYS).where(
            DAYS.c.unit == unit,
            (DAYS.c.day_ms >= start_ms) & (DAYS.c.day_ms < end_ms) | (DAYS.c.day_ms < end_ms - KEEP_MS),
        )
    )
    if days:
        session.execute(insert(DAYS), [_row(unit, day) for day in days])


def states(session: Session) -> dict[str, HealthState]:
    """Return by unit how far its days are worked out."""
    return {row.unit: _state(row) for row in session.scalars(select(HealthStateRow))}


def _state(row: HealthStateRow) -> HealthState:
    findings = tuple(Finding.model_validate(item) for item in orjson.loads(row.findings))
    usual = tuple(Usual.model_validate(item) for item in orjson.loads(row.usual))
    return HealthState(row.next_ms, row.found_ms, findings, usual)


def state_of(session: Session, unit: str) -> HealthState | None:
    """Return how far a unit's days are worked out, None where they are not followed yet."""
    row = session.get(HealthStateRow, unit)
    return None if row is None else _state(row)


def put_next(session: Session, next_ms: Mapping[str, int]) -> None:
    """Keep from which day on the days of units are to be worked out; findings wait until they are."""
    for unit, start_ms in next_ms.items():
        row = session.get(HealthStateRow, unit)
        if row is None:
            session.add(HealthStateRow(unit=unit, next_ms=start_ms, found_ms=None, findings="[]", usual="[]"))
        else:
            row.next_ms, row.found_ms = start_ms, None


def put_findings(
    session: Session,
    unit: str,
    findings: Sequence[Finding],
    usual: Sequence[Usual],
    middles: Sequence[Middle],
    *,
    found_ms: int,
) -> None:
    """Keep what the days before a moment say, what they are compared with, and what the last ones come to."""
    row = session.get(HealthStateRow, unit)
    if row is None:
        return
    row.found_ms = found_ms
    row.findings = orjson.dumps([found.model_dump(mode="json") for found in findings]).decode()
    row.usual = orjson.dumps([each.model_dump(mode="json") for each in usual]).decode()
    session.execute(delete(MIDDLES).where(MIDDLES.c.unit == unit))
    if middles:
        session.execute(insert(MIDDLES), [{"unit": unit, **each._asdict()} for each in middles])


def marks(session: Session, unit: str) -> tuple[ServiceMark, ...]:
    """Return the moments from which a unit is not compared with what it was before, oldest first.

    Work by the workshop after which the machine is a different one, and each description that changed
    anything its days are measured on; the first description changed nothing.
    """
    worked = (ServiceMark(at=job.at, kind="service", words=job.work) for job in jobbook.marks(session, unit))
    described = list(_versions(session, "unit", unit, Unit))
    found = [*worked]
    for (_, before), (at_ms, after) in pairwise(described):
        found += [ServiceMark(at=at_ms, kind=kind) for kind in _changes(before, after, _OF_UNIT)]
    for (at_ms, now), until_ms in zip(described, _ends(described), strict=True):
        if now.supply.bank is not None:
            banks = list(_versions(session, "bank", now.supply.bank, Bank))
            found += [
                ServiceMark(at=at, kind=kind)
                for (_, before), (at, after) in pairwise(banks)
                if at_ms < at < until_ms
                for kind in _changes(before, after, _OF_BANK)
            ]
    return tuple(sorted(found, key=lambda mark: (mark.at, mark.kind)))


def _ends(described: Sequence[tuple[int, Unit]]) -> Iterator[float]:
    yield from (at_ms for at_ms, _ in described[1:])
    if described:
        yield float("inf")


def _versions(
    session: Session, kind: str, key: str, model: type[_Described]
) -> Iterator[tuple[int, _Described]]:
    query = select(DatedRow.valid_from_ms, DatedRow.value).where(DatedRow.kind == kind, DatedRow.key == key)
    for at_ms, value in session.execute(query.order_by(DatedRow.no)):
        if value is not None:
            yield at_ms, model.model_validate_json(value)


_BANK = {"kind", "bank", "chemistry", "nominal_v", "capacity_ah", "since"}
_Of = Mapping[MarkKind, Callable[[Any], object]]
_OF_UNIT: _Of = {
    "set_point": lambda unit: unit.set_point_c,
    "site": lambda unit: unit.site,
    "bank": lambda unit: unit.supply.model_dump(include=_BANK),
    "wiring": lambda unit: (unit.supply.cable_length_m, unit.supply.cable_mm2),
    "machine": lambda unit: (unit.kind, unit.volume_l, unit.plate, unit.compressor),
    "sensor": lambda unit: unit.sensor.position,
}
_OF_BANK: _Of = {"bank": lambda bank: (bank.chemistry, bank.nominal_v, bank.capacity_ah, bank.installed)}


def _changes(before: Unit | Bank, after: Unit | Bank, of: _Of) -> Iterable[MarkKind]:
    return (kind for kind, part in of.items() if part(before) != part(after))
