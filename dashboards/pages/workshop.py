"""The workshop's page: which units are due, in what order, with what evidence."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, Response

from dashboards import text
from dashboards.pages.render import draw
from dashboards.pages.views import CardView, card_view
from services.api.desk import Desk, NotAssessedError
from services.api.routes import AtDesk
from services.domain import Evidence, UnitCard

router = APIRouter(include_in_schema=False)

_SIGNS = {"<=": "≤", ">=": "≥"}


@dataclass(frozen=True, slots=True)
class FindingView:
    """One finding in words."""

    finding: str
    since: str
    due: str
    check: str
    evidence: tuple[tuple[str, str, str], ...]
    """Quantity, what was found against the threshold, and where the threshold comes from."""


@dataclass(frozen=True, slots=True)
class JobView:
    """One unit as the workshop sees it."""

    card: CardView
    findings: tuple[FindingView, ...]
    cutouts: tuple[str, ...]
    checks: tuple[str, ...]
    details: tuple[tuple[str, str], ...]


def evidence_words(row: Evidence) -> tuple[str, str, str]:
    """Return one row of evidence: both numbers, so that nobody has to take our word for it."""
    unit = "" if row.unit == "1" else f" {row.unit}"
    found = (
        f"{_short(row.value)}{unit} {_SIGNS.get(row.operator, row.operator)} {_short(row.threshold)}{unit}"
    )
    return text.plain(row.quantity), found, row.source


def _short(value: float) -> str:
    return f"{value:.3g}".replace("-", "\N{MINUS SIGN}")


def battery_words(analysis: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return what is known of the bank, each with its reason where it is not."""
    battery = analysis.get("battery")
    if battery is None:
        return [("Battery", text.plain(str(analysis.get("battery_reason") or "not known")))]
    charge, ohm, full = (
        battery.get(key) for key in ("state_of_charge", "source_resistance_ohm", "days_since_full")
    )

    def why(key: str) -> str:
        return f"not known: {text.plain(str(battery.get(f'{key}_reason') or 'not worked out'))}"

    return [
        (
            "Charge",
            why("state_of_charge")
            if charge is None
            else f"{charge['p10']:.0%} to {charge['p90']:.0%}, likely {charge['p50']:.0%}",
        ),
        (
            "Source resistance",
            why("source_resistance_ohm") if ohm is None else f"{text.number(ohm * 1000, 0)} mΩ",
        ),
        ("Last full", why("days_since_full") if full is None else f"{text.number(full)} days ago"),
    ]


def _details(desk: Desk, card: UnitCard) -> list[tuple[str, str]]:
    try:
        analysis = desk.analysis(card.unit)
    except NotAssessedError:
        analysis = {}
    readings = [
        (text.CHANNELS[column][0], text.value_words(column, value))
        for column, value in card.latest.items()
        if column in text.CHANNELS
    ]
    return [*battery_words(analysis), ("Set point by file", text.degrees(card.set_point_c)), *readings]


def _job(desk: Desk, card: UnitCard, now_ms: int) -> JobView:
    zone = ZoneInfo(card.timezone)
    findings = tuple(
        FindingView(
            finding=text.sentence(text.plain(found.finding)).removesuffix("."),
            since=text.clock(found.since, zone, now_ms),
            due="" if found.due is None else text.clock(found.due, zone, now_ms),
            check=text.sentence(found.check),
            evidence=tuple(evidence_words(row) for row in found.evidence),
        )
        for found in card.service
    )
    causes = dict.fromkeys(cutout.cause for cutout in card.cutouts)
    return JobView(
        card=card_view(card, now_ms),
        findings=findings,
        cutouts=tuple(
            f"{text.cutout_words(c, zone=zone, now_ms=now_ms)} {text.sentence(c.why)}" for c in card.cutouts
        ),
        checks=tuple(text.CAUSE_CHECKS[cause] for cause in causes),
        details=tuple(_details(desk, card)),
    )


def _order(card: UnitCard) -> tuple[object, ...]:
    due = min((f.due for f in card.service if f.due is not None), default=float("inf"))
    return (
        not card.cut_out_now,
        due,
        -len(card.service),
        -len(card.cutouts),
        card.site_name or "",
        card.name,
    )


@router.get("/workshop", response_class=HTMLResponse)
def workshop(request: Request, desk: AtDesk) -> Response:
    """Show units with something to look at first, then the rest, then units nobody has added."""
    now_ms = desk.now_ms()
    cards = sorted(desk.cards(), key=_order)
    due = [card for card in cards if card.service or card.cutouts or card.cut_out_now]
    rest = [card for card in cards if card not in due]
    waiting = [
        (w.unit, w.packs, text.age(w.first_ms, now_ms), text.age(w.last_ms, now_ms)) for w in desk.waiting()
    ]
    return draw(
        request,
        "workshop.html",
        jobs=[_job(desk, card, now_ms) for card in due],
        rest=[card_view(card, now_ms) for card in rest],
        waiting=waiting,
        made=text.stamp(now_ms, UTC),
        now_ms=now_ms,
    )
