"""The long spans of one cabinet, day by day or week by week."""

from typing import Annotated, Any, Protocol

import orjson
from fastapi import APIRouter, Query, Request
from pydantic import AwareDatetime
from starlette.exceptions import HTTPException
from starlette.responses import Response

from dashboards import text
from dashboards.figures import look
from dashboards.figures.days import LEAST_MS, Days, days_figure, days_summary, days_table, edges_of
from dashboards.language import _
from dashboards.themes import Theme
from services.api.routes import AtDesk, UnitPath
from services.api.schemas import Counted
from services.api.spans import span_of
from services.domain import UnitCard

router = APIRouter(include_in_schema=False)


class DayCounter(Protocol):
    """What adds up hours; the composition root puts it on the application."""

    def __call__(self, unit: str, edges_ms: tuple[int, ...], limit_c: float) -> Counted | None:
        """Return what stretches of time between edges on the hour held."""


def _days(request: Request, card: UnitCard, start_ms: int, end_ms: int, now_ms: int) -> Days | None:
    counter: DayCounter | None = getattr(request.app.state, "day_counts", None)
    if counter is None or end_ms - start_ms < LEAST_MS:
        return None
    edges_ms, by_week = edges_of(start_ms, min(end_ms, now_ms), text.zone_of(card))
    counted = counter(card.unit, edges_ms, card.limit_c)
    return None if counted is None else Days(edges_ms, by_week, counted, now_ms)


def days_view(
    request: Request, card: UnitCard, start_ms: int, end_ms: int, now_ms: int
) -> dict[str, Any] | None:
    """Return what the page says of the days of a long span; None for a short one."""
    days = _days(request, card, start_ms, end_ms, now_ms)
    if days is None:
        return None
    return {
        "summary": days_summary(days),
        "rows": days_table(days, text.zone_of(card)),
        "product": days.counted.product is not None,
        "charge": days.counted.charge is not None,
        "by_week": days.by_week,
        "limit": text.degrees(days.counted.mark_c),
        "colder": days.counted.mark_c < card.limit_c - 1e-6,
    }


@router.get("/units/{unit}/days.json")
def days_chart(  # noqa: PLR0917 - a query has as many parts as it has
    request: Request,
    desk: AtDesk,
    unit: UnitPath,
    start: Annotated[AwareDatetime, Query(alias="from")],
    end: Annotated[AwareDatetime, Query(alias="to")],
    theme: Theme | None = None,
) -> Response:
    """Give the chart of the days of a long span, in the inks of a theme."""
    span = span_of(start, end, now_ms=desk.now_ms())
    card = desk.card(unit)
    days = _days(request, card, span.start_ms, span.end_ms, desk.now_ms())
    if days is None:
        raise HTTPException(404, _("Days are counted over ten days or more."))
    figure = days_figure(days, text.zone_of(card))
    return Response(orjson.dumps(look.in_theme(figure, theme)), media_type="application/json")
