"""What each day of a long span held: time above the limit, not known, and charge; chart, words, table."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Any

from dashboards import text
from dashboards.figures import look
from dashboards.language import _, food, ngettext
from services.api.schemas import Counted
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, ms_of

Figure = dict[str, Any]

LEAST_MS = 10 * DAY_MS
"""Shorter spans are read in the readings themselves."""
_BY_WEEK_FROM_MS = 100 * DAY_MS
_DAYS_IN_WEEK = 7


@dataclass(frozen=True, slots=True)
class Days:
    """Days, or weeks from Monday on, of a site's own time, and what they held."""

    edges_ms: tuple[int, ...]
    """Where they begin and the last ends, on the full hour. [ms since 1970-01-01 UTC]"""
    by_week: bool
    counted: Counted
    now_ms: int

    def missing_min(self, told_min: Sequence[float]) -> list[float]:
        """Return how much of each day, up to now, nobody knows."""
        ends = [min(end, max(self.now_ms, start)) for start, end in self._pairs()]
        return [
            max(0.0, (end - start) / MINUTE_MS - told)
            for (start, _end), end, told in zip(self._pairs(), ends, told_min, strict=True)
        ]

    def _pairs(self) -> list[tuple[int, int]]:
        return list(zip(self.edges_ms, self.edges_ms[1:], strict=False))


def edges_of(start_ms: int, end_ms: int, zone: tzinfo) -> tuple[tuple[int, ...], bool]:
    """Return where days of a zone begin over a span, the last edge after its end, and whether by weeks.

    Where a zone's midnight is not on a full hour of UTC, the day begins with the hour it lies in.
    """
    by_week = end_ms - start_ms > _BY_WEEK_FROM_MS
    day = text.local(start_ms, zone).date()
    if by_week:
        day -= timedelta(days=day.weekday())
    found: list[int] = []
    while not found or found[-1] < end_ms:
        midnight_ms = ms_of(datetime(day.year, day.month, day.day, tzinfo=zone))
        found.append(midnight_ms - midnight_ms % HOUR_MS)
        day += timedelta(days=_DAYS_IN_WEEK if by_week else 1)
    return tuple(found), by_week


def days_summary(days: Days) -> str:
    """Return the chart in sentences, for those who cannot see it."""
    cabinet, charge = days.counted.cabinet, days.counted.charge
    warm = [minutes for minutes in cabinet.above_min if minutes > 0]
    limit = text.degrees(days.counted.mark_c)
    if days.by_week:
        held = ngettext("%(num)s week", "%(num)s weeks", len(warm))
    else:
        held = ngettext("%(num)s day", "%(num)s days", len(warm))
    told = food(
        "Cabinet air stood above %(limit)s for %(time)s in all, on %(held)s; the most was %(most)s.",
        limit=limit,
        time=text.minutes(sum(warm)),
        held=held,
        most=text.minutes(max(warm, default=0.0)),
    )
    if not warm:
        told = food("Cabinet air was never read above %(limit)s.", limit=limit)
    missing = sum(days.missing_min(cabinet.told_min))
    told += " " + _("Not known: %(time)s.", time=text.minutes(missing))
    if charge is not None:
        drawn = sum(each for each in charge.drawn_ah if each is not None)
        told += " " + _("Drawn where current was measured: %(ah)s Ah.", ah=text.number(drawn))
    return told


def days_table(days: Days, zone: tzinfo) -> list[tuple[str, ...]]:
    """Return a row for each day: from, cabinet above, product above, not known, Ah drawn, Ah given back."""
    counted = days.counted
    missing = days.missing_min(counted.cabinet.told_min)
    rows: list[tuple[str, ...]] = []
    for place, start_ms in enumerate(days.edges_ms[:-1]):
        product, charge = counted.product, counted.charge
        rows.append(
            (
                text.stamp(start_ms, zone)[:10],
                text.minutes(counted.cabinet.above_min[place]),
                "" if product is None else text.minutes(product.above_min[place]),
                text.minutes(missing[place]),
                "" if charge is None else _ah(charge.drawn_ah[place]),
                "" if charge is None else _ah(charge.given_ah[place]),
            )
        )
    return rows


def _ah(value: float | None) -> str:
    return _("not measured") if value is None else text.number(value)


def days_figure(days: Days, zone: tzinfo) -> Figure:
    """Return bars for each day: minutes above the limit, hours not known, charge drawn and given back."""
    counted = days.counted
    starts = [text.local(edge, zone).strftime("%Y-%m-%d") for edge in days.edges_ms[:-1]]
    above = _("Cabinet air above %(limit)s", limit=text.degrees(counted.mark_c))
    data = [_bars(above, starts, counted.cabinet.above_min, ink=look.TEMPERATURE, axis="y", mark="")]
    if counted.product is not None:
        name = _("Product above %(limit)s", limit=text.degrees(counted.mark_c))
        data.append(_bars(name, starts, counted.product.above_min, ink=look.PRODUCT, axis="y", mark="x"))
    unknown = [minutes / 60 for minutes in days.missing_min(counted.cabinet.told_min)]
    data.append(_bars(_("Not known"), starts, unknown, ink=look.FADED, axis="y2", mark="/"))
    charge = counted.charge
    if charge is not None:
        data.append(
            _bars(_("Drawn, Ah"), starts, charge.drawn_ah, ink=look.VOLTAGE, axis="y3", mark=""),
        )
        if any(charge.given_ah):
            given = [None if value is None else -value for value in charge.given_ah]
            data.append(_bars(_("Given back, Ah"), starts, given, ink=look.COMPRESSOR, axis="y3", mark="."))
    return {"data": data, "layout": _layout(has_charge=charge is not None)}


def _bars(
    name: str, x: Sequence[str], y: Sequence[float | None], *, ink: str, axis: str, mark: str
) -> Figure:
    return {
        "type": "bar",
        "name": name,
        "x": list(x),
        "y": [None if value is None else round(value, 2) for value in y],
        "yaxis": axis,
        # the pattern tells them apart, the ink only helps
        "marker": {"color": ink, "pattern": {"shape": mark, "fgcolor": look.PAPER, "fillmode": "overlay"}},
    }


def _layout(*, has_charge: bool) -> Figure:
    rows = [(0.6, 1.0), (0.32, 0.52), (0.0, 0.24)] if has_charge else [(0.45, 1.0), (0.0, 0.35), (0.0, 0.01)]
    titles = (_("min"), _("h"), _("Ah"))
    axes = {
        f"yaxis{place or ''}": {
            "title": {"text": title, "font": {"size": 12}},
            "domain": list(domain),
            "gridcolor": look.RULE,
            "linecolor": look.FADED,
            "zeroline": False,
            "fixedrange": True,
            "visible": has_charge or place != "3",
        }
        for place, title, domain in zip(("", "2", "3"), titles, rows, strict=True)
    }
    return {
        **look.FRAME,
        "margin": {"l": 56, "r": 12, "t": 40, "b": 40},
        "barmode": "group",
        "bargap": 0.1,
        "hovermode": "x unified",
        "legend": {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
        "dragmode": False,
        "xaxis": {
            "type": "date",
            "gridcolor": look.RULE,
            "linecolor": look.FADED,
            "tickangle": 0,
            "fixedrange": True,
            "anchor": "y3" if has_charge else "y2",
        },
        **axes,
    }
