"""Several cabinets beside one another: the same hours, the same axis, lowest to highest."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from dashboards import text
from dashboards.figures.compare import HEIGHT, WIDTH, Strip, axis, days, strip
from dashboards.language import _, msg
from dashboards.natural import natural
from dashboards.pages.render import draw
from dashboards.pages.unit_spans import SPANS, offered
from dashboards.urgency import in_order
from services.api.desk import Desk, UnknownUnitError
from services.api.routes import AtDesk
from services.api.schemas import ChannelBins
from services.domain import UnitCard
from services.timebase import DAY_MS, MINUTE_MS, ms_of

router = APIRouter(include_in_schema=False)

MOST = 8
"""More strips than this cannot be told apart on one screen (judgement)."""
_BINS = 180
_CHANNELS = {
    "cabinet_c": (msg("Cabinet temperature"), "°C", 5.0),
    "battery_v": (msg("Battery at the unit"), "V", 1.0),
}
_SHOWN = ("cabinet_c", "battery_v", "compressor_on")


@dataclass(frozen=True, slots=True)
class CompareRow:
    """One cabinet of the comparison."""

    unit: str
    name: str
    place: str
    mark: str
    word: str
    strip: Strip
    low: str
    high: str
    mean: str
    ran: str
    missing: str


def _chosen(desk: Desk, units: str, more: list[str]) -> list[UnitCard]:
    """Return the cabinets asked for, in the order asked; without any, the three that need somebody most.

    Raises
    ------
    HTTPException
        422 for more than eight.
    UnknownUnitError
        If a cabinet is not known, or nothing was worked out for it yet.
    """
    cards = {card.unit: card for card in desk.cards()}
    wanted = list(dict.fromkeys([*(part.strip() for part in units.split(",") if part.strip()), *more]))
    if not wanted:
        return [placed.card for placed in in_order(cards.values())[:3]]
    if len(wanted) > MOST:
        raise HTTPException(422, _("No more than %(most)s cabinets fit beside one another.", most=MOST))
    strange = next((unit for unit in wanted if unit not in cards), None)
    if strange is not None:
        raise UnknownUnitError(_("No judged cabinet is called %(strange)s.", strange=strange))
    return [cards[unit] for unit in wanted]


def _share(bins: ChannelBins | None) -> str:
    """Return how much of the readings saw the compressor running."""
    if bins is None:
        return _("not known")
    ran = _mean(bins)
    return _("not known") if ran is None else f"{100 * ran:.0f} %"


def _mean(bins: ChannelBins) -> float | None:
    """Return the mean of all readings, None where there are none."""
    known = [(mean, n) for mean, n in zip(bins.mean, bins.count, strict=True) if mean is not None]
    count = sum(n for _, n in known)
    return sum(mean * n for mean, n in known) / count if count else None


def _row(
    card: UnitCard,
    found: dict[str, ChannelBins],
    channel: str,
    over: tuple[float, float] | None,
    bin_s: float,
) -> CompareRow:
    bins = found.get(channel)
    unit, digits = _CHANNELS[channel][1], 2 if channel == "battery_v" else 1
    known = (
        []
        if bins is None
        else [
            (low, high)
            for low, high in zip(bins.min, bins.max, strict=True)
            if low is not None and high is not None
        ]
    )

    def told(value: float | None) -> str:
        if value is not None and unit == "°C":
            return text.degrees(value)
        return _("not measured") if value is None else f"{text.number(value, digits)} {unit}"

    empty = _BINS if bins is None else sum(1 for held in bins.count if not held)
    limit_c = card.limit_c if channel == "cabinet_c" else None
    resting = text.is_resting(card, card.standing)
    return CompareRow(
        unit=card.unit,
        name=card.name,
        place=card.site_name or _("no place given"),
        mark="resting" if resting else card.standing.value,
        word=text.word_of(card, card.standing),
        strip=strip(bins, over or (0.0, 1.0), limit_c),
        low=told(min((pair[0] for pair in known), default=None)),
        high=told(max((pair[1] for pair in known), default=None)),
        mean=told(None if bins is None else _mean(bins)),
        ran=_share(found.get("compressor_on")),
        missing=text.minutes(empty * bin_s / 60) if empty else _("none"),
    )


def _at(value: float, channel: str) -> str:
    """Return an end of the axis."""
    if channel == "cabinet_c":
        return text.degrees(value, 0)
    return f"{text.number(value, 0)} {_CHANNELS[channel][1]}"


def _midnights(start_ms: int, end_ms: int, zone: ZoneInfo) -> list[int]:
    """Return local midnights of a span; of spans longer than a month, none."""
    if end_ms - start_ms > 32 * DAY_MS:
        return []
    day = text.local(start_ms, zone).date()
    found = []
    while (at := ms_of(datetime(day.year, day.month, day.day, tzinfo=zone))) < end_ms:
        found.append(at)
        day += timedelta(days=1)
    return found


@router.get("/compare", response_class=HTMLResponse)
def compare(  # noqa: PLR0917 - a query has as many parts as it has
    request: Request,
    desk: AtDesk,
    units: Annotated[str, Query(max_length=400)] = "",
    unit: Annotated[list[str], Query(max_length=64)] = [],  # noqa: B006 - the framework copies it
    span: str = "24h",
    channel: str = "cabinet_c",
) -> Response:
    """Show cabinets one under the other on the same axes."""
    if span not in SPANS or channel not in _CHANNELS:
        raise HTTPException(
            404,
            _(
                "The spans are %(spans)s, the channels %(channels)s.",
                spans=", ".join(SPANS),
                channels=", ".join(_CHANNELS),
            ),
        )
    now_ms, cards = desk.now_ms(), _chosen(desk, units, unit)
    end_ms = now_ms - now_ms % MINUTE_MS + MINUTE_MS
    start_ms = end_ms - SPANS[span][1]
    samples = {
        card.unit: desk.samples(
            card.unit, start_ms=start_ms, end_ms=end_ms, channels=_SHOWN, max_points=_BINS
        )
        for card in cards
    }
    over = axis((found.channels.get(channel) for found in samples.values()), _CHANNELS[channel][2])
    zone = text.zone_of(cards[0]) if cards else ZoneInfo("UTC")
    picked = {card.unit for card in cards}
    return draw(
        request,
        "compare.html",
        rows=[
            _row(card, samples[card.unit].channels, channel, over, samples[card.unit].bin_s) for card in cards
        ],
        axis=None if over is None else [_at(v, channel) for v in over],
        what=_(_CHANNELS[channel][0]),
        channel=channel,
        channels=[(key, _(words[0]), key == channel) for key, words in _CHANNELS.items()],
        width=WIDTH,
        height=HEIGHT,
        days=days(start_ms, end_ms, _midnights(start_ms, end_ms, zone)),
        begins=text.stamp(start_ms, zone),
        ends=text.stamp(end_ms, zone),
        zone=text.offset_name(end_ms, zone),
        spans=offered(span),
        span=span,
        bin=text.minutes(samples[cards[0].unit].bin_s / 60) if cards else "",
        units=",".join(card.unit for card in cards),
        all=_by_place(desk, picked),
        most=MOST,
    )


def _by_place(desk: Desk, picked: set[str]) -> list[tuple[str, list[tuple[str, str, bool]]]]:
    """Return every judged cabinet under the name of its place."""
    groups: dict[str, list[tuple[str, str, bool]]] = {}
    for card in sorted(desk.cards(), key=lambda c: (natural(c.site_name or "~"), natural(c.name))):
        groups.setdefault(card.site_name or _("no place given"), []).append(
            (card.unit, card.name, card.unit in picked)
        )
    return list(groups.items())
