"""Small charts for paper: plain shapes in a box of fixed size, told by presentation attributes alone."""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from dashboards import text
from dashboards.benchwords import milliohm, share
from dashboards.language import _
from services.domain import PathOhm, SupplyPath, Work, WorkDay
from services.timebase import DAY_MS, datetime_of

WIDTH, HEIGHT = 330.0, 84.0
"""Of what is drawn; names of days stand below it."""
_TWICE = 2.0
"""Standard errors either way."""
_NICE = (0.5, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 20.0, 30.0, 60.0)

Known = tuple[float, float]


class Mark(NamedTuple):
    """A value with how far off it may be."""

    x: float
    y: float
    top: float
    bottom: float


class Small(NamedTuple):
    """One chart."""

    title: str
    top: str
    bottom: str
    """Words at both ends of the axis."""
    bars: tuple[tuple[float, float, float, float], ...] = ()
    """Left, top, width and height."""
    marks: tuple[Mark, ...] = ()
    dots: tuple[tuple[float, float], ...] = ()
    lines: tuple[str, ...] = ()
    """Points of unbroken lines."""
    level: tuple[float, str] | None = None
    days: tuple[tuple[float, str], ...] = ()
    """Where a day begins, and its name."""
    empty: str = ""
    """What is said where there is nothing to draw."""


class _Box:
    """Places days and values in the box."""

    def __init__(self, days: Sequence[WorkDay], low: float, high: float) -> None:
        self.first_ms = days[0].day
        self.span_ms = days[-1].day + DAY_MS - self.first_ms
        self.low, self.high = low, high

    def x(self, t_ms: float) -> float:
        return round(WIDTH * (t_ms - self.first_ms) / self.span_ms, 1)

    def y(self, value: float) -> float:
        inside = min(max(value, self.low), self.high)
        return round(HEIGHT * (1.0 - (inside - self.low) / (self.high - self.low)), 1)

    def middle(self, day: WorkDay) -> float:
        return self.x(day.day + DAY_MS / 2)


def _named(days: Sequence[WorkDay], box: _Box) -> tuple[tuple[float, str], ...]:
    return tuple((box.x(day.day), f"{datetime_of(day.day):%d.%m.}") for day in days)


def _nice(most: float, among: Iterable[float]) -> float:
    """Return the first round number that is not less."""
    return next((each for each in among if each >= most), most)


def _bars(
    title: str, days: Sequence[WorkDay], values: Sequence[float | None], high: float, top: str
) -> Small:
    if not any(value is not None for value in values):
        return Small(title, "", "", empty=_("not measured on this unit"))
    box = _Box(days, 0.0, high)
    wide = box.x(days[0].day + DAY_MS)
    bars = tuple(
        (
            round(box.x(day.day) + 0.12 * wide, 1),
            box.y(value),
            round(0.76 * wide, 1),
            round(HEIGHT - box.y(value), 1),
        )
        for day, value in zip(days, values, strict=True)
        if value is not None
    )
    return Small(title, top, "0", bars=bars, days=_named(days, box))


def running(work: Work) -> Small:
    """Return the share of time running, day by day."""
    return _bars(_("Share of time running"), work.days, [day.duty for day in work.days], 1.0, share(1.0))


def starts(work: Work) -> Small:
    """Return starts an hour, day by day."""
    rates = [day.starts_per_hour for day in work.days]
    high = _nice(max((rate for rate in rates if rate is not None), default=1.0), _NICE)
    return _bars(_("Starts an hour"), work.days, rates, high, text.number(high))


def path(work: Work, measured: SupplyPath | None) -> Small:
    """Return the way from the battery: single stops, the middle of each day, the line, and a sound one."""
    title = _("Way from the battery")
    days = [(day, day.path_ohm) for day in work.days if day.path_ohm is not None]
    values = [*(stop.ohm for stop in work.stops), *(ohm for _, ohm in days)]
    if not values or not work.days:
        return Small(title, "", "", empty=_("not measured on this unit"))
    sound = work.expected_ohm if measured is None else measured.expected_ohm
    high = _nice(
        1.1 * max([*values, 0.0 if sound is None else sound]),
        (0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.6, 0.8, 1.0, 1.5, 2.0),
    )
    box = _Box(work.days, 0.0, high)
    marks = tuple(_mark(box, day, ohm) for day, ohm in days)
    dots = tuple((box.x(stop.at), box.y(stop.ohm)) for stop in work.stops)
    level = None if sound is None else (box.y(sound), _("a sound one %(ohm)s", ohm=milliohm(sound)))
    lines = () if work.trend is None else (_line(box, work.trend),)
    named = _named(work.days, box)
    return Small(title, milliohm(high), "0", marks=marks, dots=dots, level=level, lines=lines, days=named)


def _mark(box: _Box, day: WorkDay, ohm: float) -> Mark:
    off = 0.0 if day.path_sd_ohm is None else _TWICE * day.path_sd_ohm
    return Mark(box.middle(day), box.y(ohm), box.y(ohm + off), box.y(ohm - off))


def _line(box: _Box, ends: Sequence[PathOhm]) -> str:
    return " ".join(f"{box.x(end.at)},{box.y(end.ohm)}" for end in ends)


def voltages(work: Work) -> Small:
    """Return the middle of the voltage at rest (above) and under load (below), day by day."""
    title = _("Voltage at the unit: at rest above, under load below")
    pairs = [(day, value) for day in work.days for value in (day.rest_v, day.loaded_v) if value is not None]
    if not pairs:
        return Small(title, "", "", empty=_("not measured on this unit"))
    low, high = min(v for _day, v in pairs) // 0.5 * 0.5, -(-max(v for _day, v in pairs) // 0.5) * 0.5
    box = _Box(work.days, low, max(high, low + 0.5))
    marks = tuple(Mark(box.middle(day), box.y(value), box.y(value), box.y(value)) for day, value in pairs)
    lines = tuple(
        " ".join(f"{box.middle(day)},{box.y(value)}" for day, value in side if value is not None)
        for side in ([(d, d.rest_v) for d in work.days], [(d, d.loaded_v) for d in work.days])
    )
    named = _named(work.days, box)
    return Small(title, text.volts(box.high), text.volts(box.low), marks=marks, lines=lines, days=named)


def charts(work: Work | None, measured: SupplyPath | None) -> list[Small]:
    """Return every small chart of a unit; none where nothing was counted."""
    if work is None or not work.days:
        return []
    return [running(work), starts(work), voltages(work), path(work, measured)]
