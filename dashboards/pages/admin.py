"""The administrator's pages of the fleet: places, banks, cabinets with their sensors."""

from collections.abc import Mapping
from datetime import UTC, tzinfo
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards import adminwords, text
from dashboards.benchwords import CHEMISTRIES
from dashboards.language import _
from dashboards.natural import natural
from dashboards.pages.admin_credentials import credential_states, room_of
from dashboards.pages.adminforms import Typed, ended, parts_of, said, signer_of, table_from, unplaced
from dashboards.pages.jobforms import moment_or_none
from dashboards.pages.people import remember, remembered
from dashboards.pages.render import draw
from services.api.desk import Desk
from services.api.fleetplan import Plan
from services.api.routes import AtDesk
from services.domain import Fleet, Unit
from services.domain.complaints import FleetFileError
from services.domain.fleetcells import Kind
from services.domain.fleetfile import tables_of
from services.errors import Refused
from services.timebase import ms_of

router = APIRouter(include_in_schema=False)

Key = Annotated[str, Path(pattern=r"^[a-z0-9-]{3,32}$")]


def table_of(fleet: Fleet, kind: Kind, key: str) -> dict[str, Any]:
    """Return how something is described.

    Raises
    ------
    HTTPException
        404 where it is not on the list.
    """
    found = next((row for row in tables_of(fleet)[kind] if row["id"] == key), None)
    if found is None:
        raise HTTPException(404, _("Nothing on the list is called %(key)s.", key=key))
    return found


def zone_of(fleet: Fleet, kind: Kind, key: str) -> tzinfo:
    """Return the zone that times of something are typed in."""
    place = key if kind == "site" else next((u.site for u in fleet.units if u.id == key), None)
    return next((site.zone for site in fleet.sites if site.id == place), UTC)


@router.get("/admin", response_class=HTMLResponse)
def overview(request: Request, desk: AtDesk) -> Response:
    """List everything the fleet consists of."""
    fleet = desk.described().fleet
    names = {site.id: site.name for site in fleet.sites}
    states = credential_states(desk, [unit.id for unit in fleet.units])
    known, room = {unit.id for unit in fleet.units}, room_of(request)
    return draw(
        request,
        "admin.html",
        kinds=adminwords.KINDS,
        add=adminwords.NEW,
        sites=[
            {"id": s.id, "name": s.name, "kind": adminwords.SITE_KINDS[s.kind], "zone": s.timezone}
            for s in sorted(fleet.sites, key=lambda s: natural(s.name))
        ],
        banks=[
            {"id": b.id, "words": bank_words(fleet, b.id), "units": _units_on(fleet, b.id)}
            for b in sorted(fleet.banks, key=lambda b: natural(b.id))
        ],
        units=[
            {
                "id": u.id,
                "name": u.name or u.id,
                "place": names.get(u.site or "", ""),
                "bank": u.supply.bank or "",
                "kind": adminwords.UNIT_KINDS[u.kind],
                "sensor": sensor_words(u),
                "credential": states[u.id].words,
            }
            for u in sorted(fleet.units, key=lambda u: natural(u.name or u.id))
        ],
        knocking=[each.unit for each in desk.waiting() if each.unit not in known],
        held=[] if room is None else sorted(room.holders() - known),
    )


def bank_words(fleet: Fleet, key: str) -> str:
    """Return a battery bank in short."""
    bank = next(bank for bank in fleet.banks if bank.id == key)
    kind = CHEMISTRIES[bank.chemistry]
    return f"{kind}, {bank.nominal_v} V, {text.number(bank.capacity_ah, 0)} Ah"


def _units_on(fleet: Fleet, bank: str) -> str:
    names = (unit.name or unit.id for unit in fleet.units if unit.supply.bank == bank)
    return ", ".join(sorted(names, key=natural))


def sensor_words(unit: Unit) -> str:
    """Return where the sensor of a cabinet is, and how good."""
    words = adminwords.POSITIONS[unit.sensor.position]
    if unit.sensor.error_k is not None:
        words = _("%(where)s, off by up to %(k)s", where=words, k=f"{unit.sensor.error_k:g} K")
    return words


@router.get("/admin/new/{kind}", response_class=HTMLResponse)
def new_page(request: Request, desk: AtDesk, kind: Kind, id: str = "") -> Response:  # noqa: A002 - what the field is called
    """Show the form that adds something."""
    return _form(request, desk, kind, "", {"id": id[:32]} if id else {})


@router.post("/admin/new/{kind}", response_class=HTMLResponse)
def add(request: Request, desk: AtDesk, kind: Kind, form: Typed) -> Response:
    """Put something on the list."""
    table = table_from(kind, {}, form)
    key = str(table.get("id", ""))
    if any(row["id"] == key for row in tables_of(desk.described().fleet)[kind]):
        wrong = Refused(_("%(key)s is on the list already.", key=key))
        return _form(request, desk, kind, "", table, form=form, wrong=wrong)
    return _say(request, desk, (kind, key), table, form, new=True)


@router.get("/admin/change/{kind}/{key}", response_class=HTMLResponse)
def change_page(request: Request, desk: AtDesk, kind: Kind, key: Key) -> Response:
    """Show how something is described."""
    return _form(request, desk, kind, key, table_of(desk.described().fleet, kind, key))


@router.post("/admin/change/{kind}/{key}", response_class=HTMLResponse)
def change(request: Request, desk: AtDesk, kind: Kind, key: Key, form: Typed) -> Response:
    """Describe something anew, or move it."""
    table = table_from(kind, table_of(desk.described().fleet, kind, key), form)
    return _say(request, desk, (kind, key), table, form)


@router.post("/admin/retire/{kind}/{key}", response_class=HTMLResponse)
def retire(request: Request, desk: AtDesk, kind: Kind, key: Key, form: Typed) -> Response:
    """Take something off the list; what was recorded of it stays."""
    table_of(desk.described().fleet, kind, key)
    return _say(request, desk, (kind, key), None, form)


def _say(
    request: Request,
    desk: Desk,
    thing: tuple[Kind, str],
    table: Mapping[str, Any] | None,
    form: FormData,
    *,
    new: bool = False,
) -> Response:
    """Carry a change out, or show what is wrong with it."""
    kind, key = thing
    held = desk.described().fleet
    shown = table if table is not None else table_of(held, kind, key)
    known = "" if new else key
    try:
        who = signer_of(request, desk, form)
        if not new:
            row = said(form, "row", 20)
            desk.require_unchanged(kind, key, int(row) if row.isdecimal() else 0)
        plan = desk.plan_thing(kind, key, table)
        moment = moment_or_none(said(form, "from", 40), zone_of(held, kind, key))
        from_ms = None if moment is None else ms_of(moment)
        if plan.changes:
            desk.carry_out(plan, who=who, why=said(form, "why"), from_ms=from_ms)
    except FleetFileError as error:
        return _form(request, desk, kind, known, shown, form=form, faults=error)
    except (Refused, HTTPException) as error:
        return _form(request, desk, kind, known, shown, form=form, wrong=error)
    response = RedirectResponse(_after(kind, key, plan), 303)
    remember(request, response, who)
    return response


def _after(kind: Kind, key: str, plan: Plan) -> str:
    gone = any(change.key == key and change.after is None for change in plan.changes)
    return "/admin" if gone else f"/admin/change/{kind}/{key}"


def _form(
    request: Request,
    desk: Desk,
    kind: Kind,
    key: str,
    table: Mapping[str, Any],
    *,
    form: FormData | None = None,
    faults: FleetFileError | None = None,
    wrong: Exception | None = None,
) -> Response:
    fleet = desk.described().fleet
    parts = parts_of(kind, table, fleet, form=form, error=faults, fixed=bool(key))
    told = [] if faults is None else [_("Mend what is marked below."), *unplaced(parts, faults)]
    if wrong is not None:
        told.append(ended(wrong))
    state = credential_states(desk, [key])[key] if kind == "unit" and key else None
    return draw(
        request,
        "admin_thing.html",
        200 if faults is None and wrong is None else 409 if isinstance(wrong, Refused) else 422,
        kind=kind,
        key=key,
        row=desk.described_row(kind, key) if key else 0,
        title=table.get("name") or key or adminwords.NEW[kind],
        one=adminwords.ONE[kind],
        parts=parts,
        wrong=told,
        places=[(s.id, s.name) for s in sorted(fleet.sites, key=lambda s: natural(s.name))],
        banks=sorted((bank.id for bank in fleet.banks), key=natural),
        site=table.get("site", ""),
        bank=table.get("supply", {}).get("bank", "") if kind == "unit" else "",
        typed={} if form is None else {name: str(value) for name, value in form.items()},
        zone=text.offset_name(desk.now_ms(), zone_of(fleet, kind, key)),
        people=desk.people(),
        who=remembered(request),
        remarks=[ended(each.text) for each in desk.remarks_on(key)] if kind == "unit" and key else [],
        credential=state,
    )
