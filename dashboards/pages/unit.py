"""One cabinet: its chart, what was worked out, what people said, and the forms to say more."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Annotated, Any, Protocol
from zoneinfo import ZoneInfo

import orjson
from fastapi import APIRouter, Query, Request
from pydantic import AwareDatetime
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from dashboards import foodwords, runwords, text
from dashboards.figures import look
from dashboards.figures.ahead import ahead_ms
from dashboards.figures.reading import read_in
from dashboards.figures.unit import SHOWN, points_for, summary, unit_figure
from dashboards.helpreadings import CHANNELS
from dashboards.language import Table, _, food, in_scale
from dashboards.nightwords import answer_of, answer_words, chances
from dashboards.pages.answers import answer_views
from dashboards.pages.batch_views import BatchView, action_word, batch_view, reason_rows
from dashboards.pages.forms import day_or_none, time_or_none
from dashboards.pages.lively import live_of
from dashboards.pages.people import remembered
from dashboards.pages.render import draw
from dashboards.pages.spots import spot_views
from dashboards.pages.unit_days import days_view
from dashboards.pages.unit_spans import SPANS, offered
from dashboards.pages.views import card_view
from dashboards.powerwords import battery_words, energy_rows, move_words
from dashboards.rulenames import rule_names
from dashboards.saidwords import said_lines
from dashboards.themes import Theme
from services.api.desk import Desk
from services.api.routes import AtDesk, UnitPath
from services.api.schemas import ChannelBins
from services.api.spans import span_of
from services.domain import Charging, Cutout, Exposure, UnitCard
from services.timebase import MINUTE_MS

NOTHING = "\N{EN DASH}"

router = APIRouter(include_in_schema=False)

_MOST_BINS = 720
_TABLE_ROWS = 24


def _cell(bins: ChannelBins | None, index: int, digits: int, *, temperature: bool = False) -> str:
    if bins is None:
        return ""
    low, high = bins.min[index], bins.max[index]
    if low is None or high is None:
        return _("no reading")
    if temperature:
        low, high = in_scale(low), in_scale(high)
    if round(low, digits) == round(high, digits):
        return text.number(low, digits)
    return _("%(low)s to %(high)s", low=text.number(low, digits), high=text.number(high, digits))


def _table(
    desk: Desk, unit: str, start_ms: int, end_ms: int, zone: ZoneInfo
) -> list[tuple[str, str, str, str]]:
    samples = desk.samples(unit, start_ms=start_ms, end_ms=end_ms, channels=SHOWN, max_points=_TABLE_ROWS)
    cabinet, battery, runs = (samples.channels[c] for c in ("cabinet_c", "battery_v", "compressor_on"))
    return [
        (
            text.stamp(t, zone),
            _cell(cabinet, i, 1, temperature=True),
            _cell(battery, i, 2),
            _ran(runs.min[i], runs.max[i]),
        )
        for i, t in enumerate(cabinet.t_ms)
    ]


_RAN: Table[tuple[int, int]] = Table({(0, 0): "no", (1, 1): "throughout"})


def _ran(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return _("not known")
    return _RAN.get((int(low), int(high))) or _("at times")


def _exposures(
    found: Sequence[Exposure], classes: Sequence[str], zone: ZoneInfo, now_ms: int
) -> list[dict[str, Any]]:
    return [
        {
            "rule": _("information only") if e.rule is None else rule_names(e.rule),
            "limit": text.degrees(e.limit_c),
            "basis": text.plain(e.basis),
            "since": text.clock(e.start, zone, now_ms),
            "compliant": NOTHING if e.rule is None else foodwords.LAW[e.compliant],
            "above": text.minutes(e.minutes_above),
            "unknown": text.minutes(e.minutes_unknown),
            "worst": text.minutes(e.minutes_worst_case),
            "peak": text.degrees(e.peak_c),
            "verdict": action_word(e.verdict, classes),
            "why": text.sentence(e.why),
            "source": e.source,
            "reasons": reason_rows(e.reasons),
        }
        for e in found
    ]


def _answers(card: UnitCard, exposures: Sequence[Exposure]) -> list[tuple[str, str, str]]:
    """Return what the law says and what to do, side by side: they are two questions."""
    said = {e.compliant for e in exposures if e.rule is not None}
    law = next((answer for answer in ("no", "unknown", "yes") if answer in said), None)
    resting = text.is_resting(card, card.standing)
    todo = text.RESTING_WORD() if resting else action_word(card.standing, card.classes)
    return [("law", food("The law"), foodwords.LAW[law]), ("todo", food("What to do"), todo)]


def _battery(analysis: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Return what is known of the bank, each with the key of its explanation."""
    battery = analysis.get("battery")
    keys = ["battery_why"] if battery is None else ["charge", "ohm", "full"]
    learned = (("capacity_ah", "holds"), ("supply_path", "path"))
    keys += [key for name, key in learned if battery is not None and battery.get(name) is not None]
    return [(key, *told) for key, told in zip(keys, battery_words(analysis), strict=True)]


def _batches(desk: Desk, card: UnitCard, zone: ZoneInfo, now_ms: int) -> list[BatchView]:
    """Return what lies in a cabinet, and what was taken out of it and is not gone."""
    return [batch_view(found, {card.unit: card}, zone, now_ms) for found in desk.batches(unit=card.unit)]


def _shown(span: str, first: str, last: str, zone: ZoneInfo, now_ms: int) -> tuple[int, int]:
    """Return which span of time the page shows, start included and end excluded [ms].

    Raises
    ------
    HTTPException
        404 for a span that is not offered, 422 for days that do not run forward or are too many.
    """
    if span not in SPANS:
        raise HTTPException(404, _("The spans are %(spans)s.", spans=", ".join(SPANS)))
    minute_ms = now_ms - now_ms % MINUTE_MS + MINUTE_MS
    if not first and not last:
        return minute_ms - SPANS[span][1], minute_ms
    end_day = day_or_none(last) or text.local(now_ms, zone).date()
    start_day = day_or_none(first) or end_day
    start, end = (
        datetime(d.year, d.month, d.day, tzinfo=zone) for d in (start_day, end_day + timedelta(days=1))
    )
    asked = span_of(start, end, now_ms=now_ms)
    return asked.start_ms, max(asked.start_ms + MINUTE_MS, min(asked.end_ms, minute_ms))


@router.get("/units/{unit}", response_class=HTMLResponse)
def unit_page(  # noqa: PLR0917 - a query has as many parts as it has
    request: Request,
    desk: AtDesk,
    unit: UnitPath,
    span: str = "24h",
    noted: str = "",
    until: str = "",
    first: Annotated[str, Query(alias="from", max_length=10)] = "",
    last: Annotated[str, Query(alias="to", max_length=10)] = "",
) -> Response:
    """Show one cabinet over a span that is offered, or over days; is asked, will its battery last."""
    live, now_ms, at = live_of(desk, unit), desk.now_ms(), time_or_none(until)
    card = desk.card(unit)
    zone = text.zone_of(card)
    start_ms, end_ms = _shown(span, first, last, zone, now_ms)
    ahead = ahead_ms(card, end_ms - start_ms) if end_ms > now_ms else 0
    analysis = dict(desk.analysis(unit))
    exposures = [Exposure.model_validate(item) for item in analysis.get("exposure") or []]
    points = points_for(start_ms, end_ms, card.interval_s, _MOST_BINS)
    shown = desk.samples(unit, start_ms=start_ms, end_ms=end_ms, channels=["cabinet_c"], max_points=points)
    said = desk.statements(unit, 20)
    return draw(
        request,
        "unit.html",
        c=card_view(card, now_ms),
        live=live,
        latest=[
            (CHANNELS[k], text.CHANNELS[k], text.value_words(k, v))
            for k, v in card.latest.items()
            if k in text.CHANNELS
        ],
        battery=_battery(analysis),
        on_battery=card.runout.reason != "no_battery",
        until="" if at is None else f"{at:%H:%M}",
        answer="" if at is None else answer_words(answer_of(card, now_ms, at), at),
        chances=chances(card, now_ms, at),
        exposures=_exposures(exposures, card.classes, zone, now_ms),
        answers=_answers(card, exposures),
        texts=answer_views(card.answers, told=card.standing_why),
        spots=spot_views(card.spot, zone, now_ms),
        batches=_batches(desk, card, zone, now_ms),
        others=[(o.unit, o.name) for o in desk.cards() if o.site == card.site and o.unit != unit],
        cutouts=[runwords.cutout_words(c, zone=zone, now_ms=now_ms) for c in card.cutouts],
        findings=[(text.sentence(text.plain(f.finding)), text.sentence(f.check)) for f in card.service],
        moves=[move_words(move) for move in card.runout.moves],
        energy=energy_rows(analysis),
        assumed=[text.in_reader_scale(words) for words in analysis.get("assumed") or []],
        said=said_lines(said, desk.corrected_by(said), zone),
        people=desk.people(),
        who=remembered(request),
        noted=bool(noted),
        spans=offered("" if first or last else span),
        days=(text.stamp(start_ms, zone)[:10], text.stamp(min(end_ms, now_ms) - 1, zone)[:10]),
        start_ms=start_ms,
        end_ms=end_ms + ahead,
        now_ms=now_ms,
        zone=text.offset_name(now_ms, zone),
        summary=summary(shown, start_ms=start_ms, end_ms=end_ms),
        table=_table(desk, unit, start_ms, end_ms, zone),
        by_day=days_view(request, card, start_ms, end_ms, now_ms),
    )


class FoodModel(Protocol):
    """What follows the food of a cabinet; the composition root puts it on the application."""

    def __call__(self, unit: str, start_ms: int, end_ms: int, max_points: int) -> ChannelBins | None:
        """Return coldest and warmest food in the bins of a chart."""


def _modelled(request: Request, unit: str, start_ms: int, end_ms: int, points: int) -> ChannelBins | None:
    model: FoodModel | None = getattr(request.app.state, "food_model", None)
    return None if model is None else model(unit, start_ms, end_ms, points)


def _charging(analysis: Mapping[str, Any]) -> list[Charging]:
    battery = analysis.get("battery") or {}
    return [Charging.model_validate(item) for item in battery.get("charging") or ()]


@router.get("/units/{unit}/figure.json")
def figure(  # noqa: PLR0917 - a query has as many parts as it has
    request: Request,
    desk: AtDesk,
    unit: UnitPath,
    start: Annotated[AwareDatetime, Query(alias="from")],
    end: Annotated[AwareDatetime, Query(alias="to")],
    theme: Theme | None = None,
) -> Response:
    """Give the chart of a span, thinned to what a screen can show, in the inks of a theme."""
    span = span_of(start, end, now_ms=desk.now_ms())
    start_ms, end_ms = span.start_ms, span.end_ms
    card = desk.card(unit)
    points = points_for(start_ms, end_ms, card.interval_s, _MOST_BINS)
    samples = desk.samples(unit, start_ms=start_ms, end_ms=end_ms, channels=SHOWN, max_points=points)
    analysis = desk.analysis(unit)
    cutouts = [Cutout.model_validate(item) for item in analysis.get("cutouts") or []]
    drawn = unit_figure(
        samples,
        card,
        cutouts,
        start_ms=start_ms,
        end_ms=end_ms,
        zone=text.zone_of(card),
        food=_modelled(request, unit, start_ms, end_ms, points),
        charging=_charging(analysis),
    )
    return Response(orjson.dumps(look.in_theme(read_in(drawn), theme)), media_type="application/json")
