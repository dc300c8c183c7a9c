"""Requests worked out from the routes themselves, so that a new route is asked too."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import httpx
from fastapi.params import Form
from fastapi.routing import APIRoute
from pydantic import BaseModel, TypeAdapter

from services.timebase import DAY_MS, HOUR_MS, iso_of
from tests.helpers.larder import NOW_MS

THERE, ELSEWHERE = "vehicle-3", "river-camp"
"""A place requests are about, and another one."""
UNIT, OTHER = "v3-meat", "v3-veg"
"""Two cabinets of that place."""
CANDIDATES = 10
"""Bodies that are tried of one route."""


@dataclass(frozen=True)
class Ask:
    """One request."""

    method: str
    path: str
    query: dict[str, Any]
    body: dict[str, Any] | None
    form: bool

    async def of(self, browser: httpx.AsyncClient) -> httpx.Response:
        sent = {"data" if self.form else "json": self.body} if self.method == "POST" else {}
        return await browser.request(self.method, self.path, params=self.query, **sent)


def routes(found) -> Iterator[APIRoute]:
    for route in found:
        if hasattr(route, "original_router"):
            yield from routes(route.original_router.routes)
        elif isinstance(route, APIRoute):
            yield route


HINTS = {
    "unit": [UNIT], "units": [f"{UNIT},{OTHER}", [UNIT]], "site": [THERE], "place": [THERE],
    "reason": ["for the test"], "note": ["for the test"], "what": ["Goat"], "food_class": ["red_meat"],
    "probe_c": [3.0], "surface_c": [3.0], "scale": ["c"], "back": [f"/camp/{THERE}", "one", "list"],
    "target": ["cook@camp.example"],
    "from": [iso_of(NOW_MS - HOUR_MS), iso_of(NOW_MS - 30 * DAY_MS), ""], "to": [iso_of(NOW_MS), ""],
    "until": [iso_of(NOW_MS + HOUR_MS)], "leaves": [iso_of(NOW_MS + DAY_MS)], "at": [iso_of(NOW_MS), ""],
}  # fmt: skip
"""What fields of a name are filled with."""
USUAL = frozenset({"unit", "site", "person", "note", "reason", "what", "food_class", "kind"})
"""Fields that are filled though nothing asks for them."""


def values(name: str, schema: dict[str, Any], defs: dict[str, Any], who: str) -> list[Any]:
    """Return what a field may be filled with, so that it is about the place."""
    if name in {"person", "who"}:
        return [who]
    if name in HINTS and "enum" not in schema:
        return HINTS[name]
    if "$ref" in schema:
        return values("", defs[schema["$ref"].rpartition("/")[2]], defs, who)
    several = schema.get("anyOf") or schema.get("oneOf")
    if several:
        return [value for one in several for value in values("", one, defs, who)]
    if schema.get("type") == "object":
        return objects(schema, defs, who)
    plain = {"string": "x", "number": 3.0, "integer": 1, "boolean": True, "array": [], "null": None}
    alone = schema.get("const", plain.get(schema.get("type", "string")))
    return schema.get("enum", [alone])


def objects(schema: dict[str, Any], defs: dict[str, Any], who: str) -> list[dict[str, Any]]:
    """Return objects that fit: what is asked for and whatever names a place; one part varied at a time."""
    needed = {
        name: values(name, part, defs, who)
        for name, part in schema.get("properties", {}).items()
        if name in schema.get("required", ()) or name in USUAL
    }
    return varied(needed)


def varied(fields: dict[str, list[Any]]) -> list[dict[str, Any]]:
    first = {name: found[0] for name, found in fields.items() if found}
    rest = [{**first, name: value} for name, found in fields.items() for value in found[1:]]
    last = {name: found[-1] for name, found in fields.items() if found}
    return [first, *([] if last == first else [last]), *rest][:CANDIDATES]


def fields_of(params, who: str) -> dict[str, list[Any]]:
    found = {}
    for param in params:
        schema = TypeAdapter(param.field_info.annotation).json_schema()
        known = values(param.alias, schema, schema.get("$defs", {}), who)
        if param.field_info.is_required() or param.alias in {*HINTS, "person"}:
            found[param.alias] = known
    return found


def plain_first(params: list[Any], who: str) -> list[dict[str, Any]]:
    """Return what is sent: first what is asked for alone."""
    needed = fields_of([param for param in params if param.field_info.is_required()], who)
    return [*varied(needed)[:1], *varied(fields_of(params, who))]


def is_model(params: list[Any]) -> bool:
    """Return whether a body is one model."""
    found = params[0].field_info.annotation
    return len(params) == 1 and isinstance(found, type) and issubclass(found, BaseModel)


def requests_of(route: APIRoute, path: str, who: str) -> list[Ask]:
    """Return what is asked of a route about the place, the plainest first."""
    method = next(iter(route.methods - {"HEAD"}))
    query = plain_first(route.dependant.query_params, who)
    params = route.dependant.body_params
    form = is_form(route)
    if not params:
        bodies = [{}]
    elif form and not is_model(params):
        bodies = plain_first(params, who)
    else:
        schema = TypeAdapter(params[0].field_info.annotation).json_schema()
        bodies = values("", schema, schema.get("$defs", {}), who)
    if method != "POST":
        return [Ask(method, path, one, None, form=False) for one in query]
    return [Ask(method, path, query[0], body, form=form) for body in bodies[:CANDIDATES]]


def is_form(route: APIRoute) -> bool:
    """Return whether a route takes a form."""
    return any(isinstance(param.field_info, Form) for param in route.dependant.body_params)


def words_in(route: APIRoute) -> list[str]:
    """Return what the fields of a body are called."""
    names = [param.alias for param in route.dependant.body_params]
    for param in route.dependant.body_params:
        schema = TypeAdapter(param.field_info.annotation).json_schema()
        names += [*schema.get("properties", {})]
    return names
