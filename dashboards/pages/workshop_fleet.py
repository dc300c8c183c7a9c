"""Machines beside machines like them: what stands out, on the screen and as CSV."""

from collections.abc import Mapping, Sequence
from datetime import UTC

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, Response

from dashboards import text
from dashboards.comparewords import HEIGHT, WIDTH, apart_row, like_words, row_of
from dashboards.language import Lines, _
from dashboards.natural import natural
from dashboards.pages.render import draw
from dashboards.pages.tables import csv_answer
from services.api.routes import AtDesk
from services.domain import Fleet

router = APIRouter(include_in_schema=False)

MOST_SHOWN = 60
"""Rows of the page; the file holds every one."""
NEAR_OUT = 1.0
"""In spreads: what lies nearer to the middle says nothing to a mechanic and stands in the file only."""
HEADS = Lines(
    "Unit", "Name", "Place", "Number", "Value", "Over 90 days", "Middle of the group",
    "Spreads from the middle", "Side", "Chance", "Chance among all", "Stands out", "Units like it", "Days",
)  # fmt: skip


def _names(fleet: Fleet) -> dict[str, tuple[str, str]]:
    """Return name and place of every unit."""
    places = {site.id: site.name for site in fleet.sites}
    return {unit.id: (unit.name or unit.id, places.get(unit.site or "", "")) for unit in fleet.units}


def _in_order(units: Sequence[str], names: Mapping[str, tuple[str, str]]) -> list[tuple[str, str]]:
    return sorted(((unit, names[unit][0]) for unit in units), key=lambda each: natural(each[1]))


@router.get("/workshop/compare", response_class=HTMLResponse)
def compare_page(request: Request, desk: AtDesk) -> Response:
    """Show the machines that lie furthest from machines like them, and what stands out as a whole."""
    found, fleet = desk.fleet_compared(), desk.fleet()
    names = _names(fleet)
    shown = [row for row in found.rows[:MOST_SHOWN] if row.stands_out or abs(row.out) >= NEAR_OUT]
    return draw(
        request,
        "workshop_compare.html",
        found=found,
        standing=sum(row.stands_out for row in found.rows),
        rows=[row_of(row, names) for row in shown],
        more=len(found.rows) - len(shown),
        apart=[apart_row(each, fleet) for each in found.apart],
        too_few_days=_in_order(found.too_few_days, names),
        too_few_like=_in_order(found.too_few_like, names),
        box=(WIDTH, HEIGHT),
    )


@router.get("/workshop/compare.csv")
def compare_csv(desk: AtDesk) -> Response:
    """Give every comparison as CSV, the furthest out first."""
    found, names = desk.fleet_compared(), _names(desk.fleet())
    rows = []
    for row in found.rows:
        words = row_of(row, names)
        told = (row.value, row.season, row.middle, row.out)
        numbers = ["" if each is None else f"{each:.6g}" for each in told]
        rows.append(
            [
                *(row.unit, words.name, words.place, row.name, *numbers, words.side),
                *(f"{row.p:.3g}", f"{row.line:.3g}", _("yes") if row.stands_out else _("no")),
                *(like_words(row.like, row.of), "" if row.days is None else str(row.days)),
            ]
        )
    return csv_answer(f"compared_{text.stamp(desk.now_ms(), UTC)[:10]}", list(HEADS), rows)
