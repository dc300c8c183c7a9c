"""Forms that describe a place, bank or cabinet: fields from the description, and back."""

import copy
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Depends, Request
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException

from dashboards import adminwords
from dashboards.language import _, in_scale
from dashboards.natural import natural
from dashboards.pages.forms import number_from
from dashboards.rulenames import NAMES as RULES
from services.api.access import asker_of
from services.api.desk import Desk
from services.domain import Fleet
from services.domain.complaints import FleetFileError
from services.domain.fleetcells import Cell, Kind, cells_of, flat, put, value_of, without_empty
from services.errors import Refused

_LONGEST = 500
_IN_SCALE = "set_point_c"
Option = tuple[str, str]


async def _typed(request: Request) -> AsyncIterator[FormData]:
    form = await request.form()
    try:
        yield form
    finally:
        await form.close()  # a file that was handed in lies on the disk


Typed = Annotated[FormData, Depends(_typed)]


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a form."""

    name: str
    words: str
    value: str
    chosen: tuple[str, ...]
    options: tuple[Option, ...]
    many: bool
    numeric: bool
    required: bool
    fixed: bool
    wrong: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Part:
    """Fields that belong together."""

    words: str
    fields: tuple[Field, ...]
    open: bool


def said(form: FormData, name: str, longest: int = _LONGEST) -> str:
    """Return one field of a form that was sent, empty where it is not there.

    Raises
    ------
    HTTPException
        422 when it is longer than anything that belongs there.
    """
    found = form.get(name, "")
    if not isinstance(found, str) or len(found) > longest:
        raise HTTPException(422, _("One of the fields holds more than belongs there."))
    return found.strip()


def ended(told: object) -> str:
    """Return what is told as a sentence; it may begin with an id, which has no capital."""
    words = str(getattr(told, "detail", told)).strip()
    return words if words.endswith((".", "!", "?")) else f"{words}."


def signer_of(request: Request, desk: Desk, form: FormData) -> str:
    """Return who changes something: whoever logged in, else the name that was chosen.

    Raises
    ------
    Refused
        When nobody was named.
    """
    own = asker_of(request).name
    chosen = own or said(form, "person")
    if not own and chosen not in {person.name for person in desk.people()}:
        raise Refused(_("Choose who says so."))
    return chosen


def shown(cell: Cell) -> bool:
    """Return whether a cell is a field of the form."""
    return cell.name not in adminwords.UNSHOWN


def table_from(kind: Kind, table: Mapping[str, Any], form: FormData) -> dict[str, Any]:
    """Return a description changed by the fields that were sent; the others stay as they are."""
    made = copy.deepcopy(dict(table))
    for cell in filter(shown, cells_of(kind)):
        if cell.name not in form or (cell.name == "id" and table):
            continue
        typed = " ".join(t for t in map(str, form.getlist(cell.name)) if t.strip())[:_LONGEST].strip()
        put(made, cell.key, _value(cell, typed) if typed else None)
    if made.get("supply", {}).get("bank") != table.get("supply", {}).get("bank"):
        put(made, ("supply", "since"), None)  # of the bank it hung on before
    return without_empty(made)


def _value(cell: Cell, typed: str) -> object:
    return number_from(typed) if cell.name == _IN_SCALE else value_of(cell, typed, comma=True)


def parts_of(
    kind: Kind,
    table: Mapping[str, Any],
    fleet: Fleet,
    *,
    form: FormData | None = None,
    error: FleetFileError | None = None,
    fixed: bool = True,
) -> tuple[Part, ...]:
    """Return the form of something as it is described, or as it was typed and is wrong."""
    cells, wrong = flat(kind, table), _wrong_by_field(kind, table, error)
    groups: dict[str, list[Field]] = {}
    for cell in filter(shown, cells_of(kind)):
        value = cells.get(cell.name, "")
        if cell.name == _IN_SCALE and value:
            value = f"{round(in_scale(float(value)), 3):g}"
        chosen = tuple(value.split()) if cell.form == "list" else (value,)
        if form is not None and cell.name in form:
            chosen = tuple(map(str, form.getlist(cell.name)))
            value = chosen[0]
        field = Field(
            name=cell.name,
            words=adminwords.field_words(cell),
            value=value,
            chosen=chosen,
            options=options_of(kind, cell, fleet),
            many=cell.form == "list",
            numeric=cell.form in {"number", "whole"},
            required=cell.required,
            fixed=cell.name == "id" and fixed,
            wrong=wrong.get(cell.name, ()),
        )
        groups.setdefault(cell.key[0] if len(cell.key) > 1 else "", []).append(field)
    return tuple(
        Part(adminwords.PARTS[key], tuple(fields), not key or any(f.wrong for f in fields))
        for key, fields in groups.items()
    )


def options_of(kind: Kind, cell: Cell, fleet: Fleet) -> tuple[Option, ...]:
    """Return what may be chosen in a field; nothing where it is written."""
    named: dict[str, Sequence[Option]] = {
        "site": [(site.id, site.name) for site in fleet.sites],
        "supply.bank": [(bank.id, bank.id) for bank in fleet.banks],
        "compressor.shared_with": [(unit.id, unit.name or unit.id) for unit in fleet.units],
        "food.rules": [*RULES.items(), *((house.name, house.name) for house in fleet.house_rules)],
    }
    if cell.name in named:
        return tuple(sorted(named[cell.name], key=lambda option: natural(option[1])))
    if cell.form == "flag":
        return (("yes", _("yes")), ("no", _("no")))
    return tuple((each, adminwords.option_words(kind, cell, each)) for each in cell.options)


def _wrong_by_field(
    kind: Kind, table: Mapping[str, Any], error: FleetFileError | None
) -> dict[str, tuple[str, ...]]:
    """Return what is wrong with each field of the form itself."""
    found: dict[str, tuple[str, ...]] = {}
    names = {cell.name for cell in cells_of(kind)}
    for problem in () if error is None else error.problems:
        name = ".".join(part for part in problem.keys[2:] if isinstance(part, str))
        if problem.keys[:1] == (kind,) and name in names and str(table.get("id", "")) in problem.path:
            found[name] = (*found.get(name, ()), problem.message)
    return found


def unplaced(parts: Sequence[Part], error: FleetFileError) -> tuple[str, ...]:
    """Return what is wrong and stands beside no field."""
    told = {(f.name, words) for part in parts for f in part.fields for words in f.wrong}
    return tuple(
        f"{problem.path}: {problem.message}"
        for problem in error.problems
        if (".".join(p for p in problem.keys[2:] if isinstance(p, str)), problem.message) not in told
    )
