"""Sites, banks and units as cells of text: the columns of an import, and the fields of a form."""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel

from services.domain._fleet import Bank, Site, Unit

Kind = Literal["site", "bank", "unit"]
KINDS: tuple[Kind, ...] = get_args(Kind)
MODELS: Mapping[Kind, type[BaseModel]] = {"site": Site, "bank": Bank, "unit": Unit}
AWAY = "-"
"""A cell that takes away what is described; an empty one leaves it."""

Form = Literal["text", "whole", "number", "flag", "list"]
Key = tuple[str, ...]
Row = dict[str, Any]

_FORMS: Mapping[object, Form] = {bool: "flag", int: "whole", float: "number"}
_NOT_IN_CELLS = frozenset({("sensor", "checks")})
"""Written down when they are made, not described."""
_NUMBER = re.compile(r"[-+]?\d+(\.\d+)?")
_COMMA = re.compile(r"[-+]?\d+,\d+")
_YES, _NO = frozenset({"yes", "true", "1"}), frozenset({"no", "false", "0"})


@dataclass(frozen=True, slots=True)
class Cell:
    """What one column holds of one kind."""

    key: Key
    form: Form
    options: tuple[str, ...] = ()
    """What may be chosen; empty where anything may be written."""
    required: bool = False

    @property
    def name(self) -> str:
        """Return the name of the column."""
        return ".".join(self.key)


@cache
def cells_of(kind: Kind) -> tuple[Cell, ...]:
    """Return everything that can be said of a site, bank or unit in cells."""
    return tuple(_cells(MODELS[kind], ()))


@cache
def columns() -> tuple[str, ...]:
    """Return the columns of a file that holds all three."""
    names = (cell.name for kind in KINDS for cell in cells_of(kind))
    return ("record", *dict.fromkeys(names))


def _cells(model: type[BaseModel], lead: Key) -> Iterator[Cell]:
    for name, field in model.model_fields.items():
        key = (*lead, name)
        plain = _plain(field.annotation)
        if key in _NOT_IN_CELLS:
            continue
        if isinstance(plain, type) and issubclass(plain, BaseModel):
            yield from _cells(plain, key)
        else:
            yield _cell(key, plain, required=field.is_required())


def _cell(key: Key, plain: object, *, required: bool) -> Cell:
    if get_origin(plain) is tuple:
        inner = _plain(get_args(plain)[0])
        return Cell(key, "list", _options(inner), required)
    if get_origin(plain) is Literal:
        options = get_args(plain)
        return Cell(key, "whole" if isinstance(options[0], int) else "text", _options(plain), required)
    return Cell(key, _FORMS.get(plain, "text"), (), required)


def _options(plain: object) -> tuple[str, ...]:
    return tuple(str(option) for option in get_args(plain)) if get_origin(plain) is Literal else ()


def _plain(annotation: object) -> object:
    """Return what an annotation is about, without `None` and without what restricts it."""
    origin = get_origin(annotation)
    if origin is Annotated:
        return _plain(get_args(annotation)[0])
    if origin in {Union, UnionType}:
        return _plain(next(each for each in get_args(annotation) if each is not type(None)))
    return annotation


def value_of(cell: Cell, typed: str, *, comma: bool = False) -> Any:  # noqa: ANN401 - JSON
    """Return what a cell says; what does not fit stays text, for whoever checks to complain of.

    With `comma` a decimal mark may be a comma too: where it does not part the columns.
    """
    if cell.form == "list":
        return [part for part in re.split(r"[\s|,]+", typed) if part]
    if cell.form == "flag":
        lower = typed.lower()
        return lower in _YES if lower in _YES | _NO else typed
    if cell.form in {"whole", "number"}:
        tidy = typed.replace("\N{MINUS SIGN}", "-")
        tidy = tidy.replace(",", ".") if comma and _COMMA.fullmatch(tidy) else tidy
        if not _NUMBER.fullmatch(tidy):
            return typed
        number = float(tidy)
        return int(number) if number.is_integer() else number
    return typed


def text_of(value: object) -> str:
    """Return a value as its cell shows it; empty where there is none."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.12g}"
    if isinstance(value, list | tuple):
        return " ".join(map(str, value))
    return str(value)


def flat(kind: Kind, table: Mapping[str, Any]) -> dict[str, str]:
    """Return a description as cells by column; what it does not say is not among them."""
    found: dict[str, str] = {}
    for cell in cells_of(kind):
        here: Any = table
        for part in cell.key:
            here = here.get(part) if isinstance(here, Mapping) else None
        if here is not None:
            found[cell.name] = text_of(here)
    return found


def put(table: Row, key: Key, value: object) -> None:
    """Put a value where its key says; None takes it away."""
    *path, last = key
    for part in path:
        table = table.setdefault(part, {})
    if value is None:
        table.pop(last, None)
    else:
        table[last] = value


def without_empty(table: Mapping[str, Any]) -> Row:
    """Return a table without sections that say nothing."""
    tidy = {
        key: without_empty(value) if isinstance(value, Mapping) else value for key, value in table.items()
    }
    return {key: value for key, value in tidy.items() if value != {}}


def rows_of(tables: Mapping[str, Iterable[Mapping[str, Any]]]) -> Iterator[list[str]]:
    """Yield the rows of a file that describes all sites, banks and units."""
    for kind in KINDS:
        for table in tables.get(kind, ()):
            cells = flat(kind, table)
            yield [kind, *(cells.get(name, "") for name in columns()[1:])]
