"""What a new description of the fleet comes to, and carrying it out: one way for files, rows and forms."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from services.analytics.food.house import house_faults
from services.analytics.food.rules import limits_of
from services.api.fleetport import FleetAndFood
from services.domain import Fleet, Unit, UnitSettings, Verdict
from services.domain._lines import Path
from services.domain.complaints import FleetFileError
from services.domain.fleetcells import Kind
from services.domain.fleetchange import Change, changes_between
from services.domain.fleetcheck import Remark, check
from services.domain.fleetcsv import Fault, fault_of, imported
from services.domain.fleetfile import fleet_of, tables_of
from services.errors import ConfigurationError, Refused
from services.timebase import DAY_MS

BACK_MS = 7 * DAY_MS
"""How far back a description may begin: as far as the service looks when it judges a unit."""
_JUDGED_BY = ("kind", "food", "sensor", "set_point_c")
"""What food is judged by: it may not be described otherwise for hours that are over."""
WORDS_MOST = 500

Tables = Mapping[str, Sequence[Mapping[str, Any]]]


@dataclass(frozen=True, slots=True)
class About:
    """Something to say of one site, bank or unit of a plan."""

    kind: Kind
    key: str
    remark: Remark


@dataclass(frozen=True, slots=True)
class Plan:
    """A new description of the fleet, and what it changes."""

    fleet: Fleet
    row: int
    """The newest row that was known when it was made."""
    changes: tuple[Change, ...]
    remarks: tuple[About, ...]

    @property
    def refused(self) -> tuple[About, ...]:
        """Return what speaks against carrying it out."""
        return tuple(about for about in self.remarks if about.remark.refused)


@dataclass(frozen=True, slots=True)
class RowsPlan:
    """What a file of rows comes to: a plan, or everything that is wrong."""

    rows: int
    faults: tuple[Fault, ...]
    plan: Plan | None


def remarks_on(settings: UnitSettings) -> list[Remark]:
    """Return what the operator should mend in one unit; an unknown rule set is one thing."""
    try:
        limits = limits_of(settings)
    except ConfigurationError as error:
        return [Remark(refused=True, text=f"{settings.unit.id}: {error}")]
    decides = any(limit.cap != "watch" for limit in limits.limits)
    return check(settings, limit_c=limits.food_limit_c if decides else None)


def plan_of(book: FleetAndFood, fleet: Fleet) -> Plan:
    """Return what it comes to if a description takes the place of the one that stands."""
    held = book.described()
    changes = changes_between(held.fleet, fleet)
    remarks = (*_of_food(book, changes), *_of_units(fleet, changes))
    return Plan(fleet, held.row, changes, remarks)


def plan_of_tables(book: FleetAndFood, tables: Tables, *, lines: dict[Path, int] | None = None) -> Plan:
    """Return the same of tables (see `fleet_of` for what is raised)."""
    document = {key: [dict(row) for row in rows] for key, rows in tables.items()}
    return plan_of(book, fleet_of(document, name="", lines=lines, house_faults=house_faults))


def plan_of_rows(book: FleetAndFood, data: bytes) -> RowsPlan:
    """Return what a file of rows comes to; everything that is wrong with it at once."""
    made = imported(data, tables_of(book.described().fleet))
    faults, plan = list(made.faults), None
    try:
        plan = plan_of_tables(book, made.tables, lines=made.lines)
    except FleetFileError as error:
        faults += [fault_of(problem) for problem in error.problems]
    if plan is not None:
        faults += [
            Fault(made.where.get((each.kind, each.key)), "", each.remark.text) for each in plan.refused
        ]
    told = tuple(sorted(dict.fromkeys(faults), key=lambda fault: (fault.line or 0, fault.column)))
    return RowsPlan(made.rows, told, None if told else plan)


def carry_out(
    book: FleetAndFood, plan: Plan, *, who: str, why: str, now_ms: int, from_ms: int | None = None
) -> None:
    """Make the fleet what is planned.

    Raises
    ------
    Refused
        If something speaks against it, a reason is missing, it cannot hold since then, or somebody
        described something anew since it was planned.
    """
    if plan.refused:
        raise Refused("; ".join(about.remark.text for about in plan.refused))
    tidy = " ".join(why.split())
    if not tidy or len(tidy) > WORDS_MOST:
        raise Refused(f"Say why, in up to {WORDS_MOST} letters.")
    if from_ms is not None:
        _require_since(book, plan.changes, from_ms, now_ms)
    book.apply_fleet(plan.fleet, who=who, why=tidy, now_ms=now_ms, from_ms=from_ms, row=plan.row)


def _require_since(book: FleetAndFood, changes: Iterable[Change], from_ms: int, now_ms: int) -> None:
    """Refuse what cannot be said to hold since a moment."""
    if not now_ms - BACK_MS <= from_ms <= now_ms:
        raise Refused("A change holds from now on, or from a moment within the last seven days.")
    for change in changes:
        _row, since_ms = book.described_row(change.kind, change.key)
        if since_ms is not None and from_ms < since_ms:
            raise Refused(f"{change.key} was described anew after that moment already.")
        before, after = change.before, change.after
        if not isinstance(before, Unit):
            continue
        if after is None or any(getattr(before, part) != getattr(after, part) for part in _JUDGED_BY):
            raise Refused(
                f"{change.key}: what food is judged by cannot be changed for hours that are over. "
                "Let it hold from now on."
            )


def _of_food(book: FleetAndFood, changes: Iterable[Change]) -> Iterator[About]:
    """Yield what speaks against taking units off the list: nobody would look after the food in them."""
    for change in changes:
        if change.kind != "unit" or change.after is not None:
            continue
        card = book.card(change.key)
        if card is not None and card.standing.rank >= Verdict.HOLD.rank:
            words = f"{change.key} is on hold: decide on its food first"
            yield About("unit", change.key, Remark(refused=True, text=words))
        batches = len(book.batch_cards(unit=change.key))
        if batches:
            words = (
                f"{change.key} holds food that was written down ({batches}): move it or say what became of it"
            )
            yield About("unit", change.key, Remark(refused=True, text=words))


def _of_units(fleet: Fleet, changes: Sequence[Change]) -> Iterator[About]:
    """Yield what is to be said of units that change, themselves or by their site or bank."""
    touched = {(change.kind, change.key) for change in changes}
    for unit in fleet.units:
        if touched & {("unit", unit.id), ("site", unit.site), ("bank", unit.supply.bank)}:
            yield from (About("unit", unit.id, remark) for remark in remarks_on(fleet.settings_of(unit.id)))
