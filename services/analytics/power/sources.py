"""What charged the bank, stretch by stretch, from how the voltage rises, stands and falls."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from services.analytics.power.charging import stretches_of
from services.analytics.power.curves import curve_of
from services.analytics.power.frame import BoolArray, Frame
from services.domain import ChargeSource, Charging, Evidence, UnitSettings
from services.telemetry import FloatArray, Series
from services.timebase import HOUR_MS, MINUTE_MS, datetime_of

LEAST_MS = 20 * MINUTE_MS
"""A shorter stretch tells too little."""
STEP_V, STEP_MS = 0.5, 2 * MINUTE_MS
"""A charger that is switched on lifts the voltage by this much in this time; sun does not (common practice,
no source). [V at 12 V]"""
LITHIUM_STEP_V = 0.3
"""The same for lithium iron phosphate, whose voltage hardly sinks (judgement). [V at 12 V]"""
DAY_FROM_H, DAY_TO_H = 5.5, 19.0
"""Hours of the site's clock in which sun may charge, near the equator (judgement)."""
NIGHT_FROM_H, NIGHT_TO_H = 22.0, 4.0
FLAT_V = 0.05
"""A charger with its own control holds absorption within this (judgement). [V at 12 V]"""
STAGE_V = 0.5
"""It then steps down by at least this to float (common practice, no source). [V at 12 V]"""
ABSORBING_V = 13.9
WENT_ON_MS = 3 * HOUR_MS
HELD_SAG_V = 0.15
LONG_H = 6.0
"""A generator seldom runs longer; a vehicle is seldom driven longer (judgement)."""
NIGHT_H = 2.0
FEWEST = 5

_WORDS: dict[str, ChargeSource] = {
    "engine": "alternator",
    "solar": "solar",
    "mains": "mains",
    "generator": "generator",
}


@dataclass(frozen=True, slots=True)
class _Signs:
    """What one stretch of charging looked like."""

    step_v: float
    """Rise within two minutes of the start; NaN where the start was not seen."""
    hours: float
    day_share: float
    """Share of it in which sun may charge."""
    night_h: float
    spread_v: float
    """Scatter at absorption voltage with the compressor off; NaN where it was not reached."""
    went_on: bool
    """It began without a step from a voltage that only a charger, or one just gone, leaves behind."""
    fall_v: float
    """From the highest voltage to that of the last minutes."""
    said: str | None


def charging_of(
    frame: Frame, series: Series, settings: UnitSettings, charging: BoolArray, *, from_ms: int = 0
) -> tuple[Charging, ...]:
    """Return the stretches of charging of twenty minutes and more, each with its likely source.

    Parameters
    ----------
    frame : Frame
        Samples.
    series : Series
        The same samples with the supply channel, where there is one.
    settings : UnitSettings
        Kind of site, its clock and panels.
    charging : (n,) bool
        Where something charges.
    from_ms : int
        Stretches that ended earlier are left out. [ms]

    Returns
    -------
    tuple of Charging
        Oldest first. The unit's own word is certain, everything else probable, with the evidence beside it.
    """
    parts = stretches_of(charging)
    words = _words(series)
    span = frame.t_ms[parts.last] - frame.t_ms[parts.first]
    wanted = parts.charging & (span >= LEAST_MS) & (frame.t_ms[parts.last] >= from_ms)
    found: list[Charging] = []
    for k in np.flatnonzero(wanted).tolist():
        first, last = int(parts.first[k]), int(parts.last[k])
        signs = _signs(frame, settings, first, last, None if words is None else words[first : last + 1])
        source, certain = _source(signs, settings)
        if signs.went_on and not certain:
            near = found and frame.t_ms[first] - found[-1].end <= WENT_ON_MS
            still = source if _may_be_sun(settings) else "unknown"
            source = found[-1].source if near else still
        found.append(
            Charging(
                start=int(frame.t_ms[first]),
                end=int(frame.t_ms[last]),
                source=source,
                certainty="certain" if certain else "probable",
                evidence=_evidence(signs),
            )
        )
    return tuple(found)


def _words(series: Series) -> npt.NDArray[np.object_] | None:
    """Return the supply channel of the samples that make up a frame."""
    if not series.has("supply"):
        return None
    return series.texts("supply")[np.isfinite(series.numbers("compressor_on"))]


def _signs(
    frame: Frame, settings: UnitSettings, first: int, last: int, words: npt.NDArray[np.object_] | None
) -> _Signs:
    """Read the signs of one stretch."""
    t_ms, volts = frame.t_ms[first : last + 1], frame.volts_12[first : last + 1]
    step_v = float("nan")
    if first > 0 and not frame.broken[first - 1]:
        soon = int(np.searchsorted(t_ms, t_ms[0] + STEP_MS, side="right"))
        step_v = float(np.nanmax(volts[:soon], initial=-np.inf)) - float(
            np.fmax(frame.volts_12[first - 1], frame.volts_12[max(0, first - 2)])
        )
    still = volts[~frame.on[first : last + 1]]
    top = still[still > ABSORBING_V]
    ends = volts[t_ms >= t_ms[-1] - 10 * MINUTE_MS]
    held_h = np.minimum(np.diff(t_ms, append=t_ms[-1]), frame.gap_ms) / HOUR_MS
    hour = _site_hours(t_ms, settings)
    daylight = (hour >= DAY_FROM_H) & (hour < DAY_TO_H)
    night = (hour >= NIGHT_FROM_H) | (hour < NIGHT_TO_H)
    whole = float(np.sum(held_h))
    held_v = curve_of(settings)[0].held_above_v
    before_v = float(frame.volts_12[max(0, first - 1)])
    return _Signs(
        went_on=held_v is not None and not step_v >= LITHIUM_STEP_V and before_v >= held_v - HELD_SAG_V,
        step_v=step_v if np.isfinite(step_v) else float("nan"),
        hours=float(t_ms[-1] - t_ms[0]) / HOUR_MS,
        day_share=float(np.sum(held_h[daylight])) / whole if whole > 0 else 0.0,
        night_h=float(np.sum(held_h[night])),
        spread_v=_spread(top) if top.size >= FEWEST else float("nan"),
        fall_v=float(np.nanmax(volts)) - float(np.nanmedian(ends)) if np.isfinite(ends).any() else 0.0,
        said=_said(words),
    )


def _may_be_sun(settings: UnitSettings) -> bool:
    """Return whether sun is the likelier where nothing else tells: a panel is declared, or a camp stands."""
    standing = settings.site is not None and settings.site.kind in ("camp", "lodge")
    return standing or settings.unit.supply.panel_wp > 0


def _said(words: npt.NDArray[np.object_] | None) -> str | None:
    """Return the source the unit named most in a stretch."""
    if words is None:
        return None
    named = [word for word in words.tolist() if word in _WORDS]
    return max(sorted(set(named)), key=named.count) if named else None


def _spread(values: FloatArray) -> float:
    """Return a standard deviation that a few odd values do not move [V]."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def _site_hours(t_ms: npt.NDArray[np.int64], settings: UnitSettings) -> FloatArray:
    """Return hours of the site's clock, by the offset at the first instant."""
    offset_ms = 0.0
    if settings.site is not None:
        offset = datetime_of(float(t_ms[0])).astimezone(settings.site.zone).utcoffset()
        offset_ms = 0.0 if offset is None else offset.total_seconds() * 1000.0
    return np.asarray((t_ms + offset_ms) / HOUR_MS % 24.0, dtype=np.float64)


def _source(signs: _Signs, settings: UnitSettings) -> tuple[ChargeSource, bool]:
    """Return the likeliest source, and whether the unit itself said so."""
    staged = signs.fall_v >= STAGE_V or signs.spread_v <= FLAT_V
    if signs.said is not None:
        word = _WORDS[signs.said]
        return ("dc_dc" if word == "alternator" and staged else word), True
    lithium = curve_of(settings)[0].held_above_v is not None
    stepped = signs.step_v >= (LITHIUM_STEP_V if lithium else STEP_V)
    kind = settings.site.kind if settings.site is not None else None
    if not stepped:
        sunny = signs.day_share >= 0.9  # noqa: PLR2004 - sun sets within a stretch that outlasts it
        return ("solar" if sunny and np.isfinite(signs.step_v) else "unknown"), False
    if kind in ("camp", "lodge"):
        return ("generator" if signs.hours < LONG_H else "mains"), False
    if kind == "trailer" or signs.night_h >= NIGHT_H:
        return "mains", False
    return ("dc_dc" if staged else "alternator"), False


def _evidence(signs: _Signs) -> tuple[Evidence, ...]:
    """Return the signs as rows."""
    rows: list[tuple[str, float, float, str, str]] = [
        ("rise within two minutes", signs.step_v, STEP_V, "V at 12 V", "common practice, no source"),
        ("share in daylight", signs.day_share, 0.9, "1", "judgement"),
        ("hours at night", signs.night_h, NIGHT_H, "h", "judgement"),
        ("length", signs.hours, LONG_H, "h", "judgement"),
        ("step down to float", signs.fall_v, STAGE_V, "V at 12 V", "common practice, no source"),
        ("scatter at absorption", signs.spread_v, FLAT_V, "V at 12 V", "judgement"),
    ]
    return tuple(
        Evidence(
            quantity=quantity,
            value=round(value, 3),
            operator=">=" if value >= threshold else "<",
            threshold=threshold,
            unit=unit,
            source=source,
        )
        for quantity, value, threshold, unit, source in rows
        if np.isfinite(value)
    )
