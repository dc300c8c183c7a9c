"""Labels to print: which cabinets, on which sheet, under which address phones open the page."""

from collections.abc import Collection, Sequence
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from dashboards.language import _
from dashboards.natural import natural
from dashboards.pages.printing import pdf_answer
from dashboards.pages.render import draw
from dashboards.reports import labels, pdf
from dashboards.reports.labels import A_SHEET, Label, Size
from dashboards.reports.trustsheet import Trust
from services.api.entry import names_this_machine
from services.api.routes import AtDesk
from services.domain import Fleet, Unit

router = APIRouter(include_in_schema=False)

Id = Annotated[str, Query(pattern=r"^([a-z0-9-]{3,32})?$")]
Units = Annotated[list[str], Query(max_length=5_000)]
Skip = Annotated[int, Query(ge=0, lt=A_SHEET)]
At = Annotated[str, Query(max_length=300)]


def addresses(request: Request) -> tuple[str, ...]:
    """Return where these pages are reached: as phones are told, and as was asked here."""
    trust: Trust | None = getattr(request.app.state, "trust", None)
    here = f"{request.url.scheme}://{request.url.netloc}"
    return tuple(dict.fromkeys((*(() if trust is None else trust.pages), here)))


def _chosen(request: Request, at: str) -> str:
    """Return the address labels lead to: one of those that are offered, never one that was made up."""
    offered = addresses(request)
    if at and at not in offered:
        raise HTTPException(422, _("Choose one of the addresses of this box."))
    return at or offered[0]


def _wanted(fleet: Fleet, unit: Collection[str], site: str) -> list[Unit]:
    known = {each.id for each in fleet.units}
    strange = next((name for name in unit if name not in known), None)
    if strange is not None:
        raise HTTPException(404, _("Nothing on the list is called %(key)s.", key=strange[:40]))
    found = [u for u in fleet.units if (not unit or u.id in unit) and (not site or u.site == site)]
    return sorted(found, key=lambda u: (u.site or "", natural(u.name or u.id)))


def labels_of(fleet: Fleet, units: Sequence[Unit], address: str) -> list[Label]:
    """Return the labels of some units."""
    names = {site.id: site.name for site in fleet.sites}
    return [
        Label(u.id, u.name or u.id, names.get(u.site or "", ""), f"{address}/units/{u.id}") for u in units
    ]


@router.get("/admin/labels", response_class=HTMLResponse)
def labels_page(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    unit: Units = [],  # noqa: B006 - FastAPI copies it
    site: Id = "",
    size: Size = "sheet",
    skip: Skip = 0,
    at: At = "",
) -> Response:
    """Show what would be printed."""
    fleet, address = desk.described().fleet, _chosen(request, at)
    made = labels_of(fleet, _wanted(fleet, unit, site), address)
    asked = [*(("unit", each) for each in unit), ("site", site), ("size", size), ("skip", skip), ("at", at)]
    return draw(
        request,
        "admin_labels.html",
        labels=made,
        addresses=addresses(request),
        address=address,
        only_here=names_this_machine(address.partition("://")[2]),
        sites=[(s.id, s.name) for s in sorted(fleet.sites, key=lambda s: natural(s.name))],
        site=site,
        units=[(u.id, u.name or u.id) for u in sorted(fleet.units, key=lambda u: natural(u.name or u.id))],
        chosen=unit,
        size=size,
        skip=skip,
        most=A_SHEET - 1,
        pdf=f"/admin/labels.pdf?{urlencode([(name, value) for name, value in asked if value])}",
    )


@router.get("/admin/labels.pdf")
def labels_pdf(  # noqa: PLR0917 - a form has as many fields as it has
    request: Request,
    desk: AtDesk,
    unit: Units = [],  # noqa: B006 - FastAPI copies it
    site: Id = "",
    size: Size = "sheet",
    skip: Skip = 0,
    at: At = "",
) -> Response:
    """Give the labels as PDF."""
    fleet, address = desk.described().fleet, _chosen(request, at)
    made = labels_of(fleet, _wanted(fleet, unit, site), address)
    if not made:
        raise HTTPException(404, _("No cabinet stands there."))
    return pdf_answer(lambda: pdf.laid_out(labels.html(made, size, skip=skip)), "labels")
