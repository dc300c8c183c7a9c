"""Charge and energy out of a bank and into it, by UTC day and source."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from services.analytics.power.capacity import fade_of
from services.analytics.power.charge import Z10, ChargeState
from services.analytics.power.curves import RestCurve, curve_of
from services.analytics.power.frame import BoolArray, Frame
from services.analytics.power.sources import charging_of
from services.domain import ChargeSource, Charging, EnergyDay, EnergyIn, Quantiles, UnitSettings
from services.telemetry import FloatArray, IntArray, Series
from services.timebase import DAY_MS, HOUR_MS

NEWEST = 14
"""So many stretches and days are told."""


@dataclass(frozen=True, slots=True)
class _Piece:
    """The part of one stretch of charging that lies in one UTC day."""

    day_ms: int
    start_ms: int
    end_ms: int
    source: ChargeSource


def learned_of(
    frame: Frame,
    series: Series,
    settings: UnitSettings,
    state: ChargeState,
    *,
    charging: BoolArray,
    ah: FloatArray,
) -> dict[str, Any]:
    """Return what is told of a bank beside its charge: fields of `Battery`.

    Parameters
    ----------
    frame, series : Frame, Series
        The same samples.
    settings : UnitSettings
        Site, chemistry.
    state : ChargeState
        As followed along them.
    charging : (n,) bool
        Where something charges.
    ah : (n,) float64
        Charge counted out since the first sample. [Ah]
    """
    from_ms = (int(frame.t_ms[-1]) // DAY_MS - NEWEST + 1) * DAY_MS if len(frame) else 0
    charged = charging_of(frame, series, settings, charging, from_ms=from_ms)
    gauge = state.gauge
    capacity = fade = None
    if gauge is not None:
        held, spread = gauge.usable_ah, math.exp(Z10 * gauge.usable_share_sd)
        capacity = Quantiles(p10=held / spread, p50=held, p90=held * spread)
    if state.learned and (change := fade_of(state.learned[-1].weekly)) is not None:
        fade = Quantiles(p10=change.low_per_year, p50=change.share_per_year, p90=change.high_per_year)
    return {
        "capacity_ah": capacity,
        "capacity_ah_reason": None if capacity is not None else state.reason,
        "capacity_change_per_year": fade,
        "capacity_change_per_year_reason": None if fade is not None else "fewer than eight weeks known well",
        "charging": charged[-NEWEST:],
        "days": days_of(frame, state, charged, ah=ah, curve=curve_of(settings)[0]),
    }


def days_of(
    frame: Frame, state: ChargeState, charged: Sequence[Charging], *, ah: FloatArray, curve: RestCurve
) -> tuple[EnergyDay, ...]:
    """Return what went out and in on each of the newest UTC days.

    Parameters
    ----------
    frame : Frame
        Samples.
    state : ChargeState
        The filter's way, from which what was put in is read: no charger's current is measured.
    charged : sequence of Charging
        Stretches with their sources.
    ah : (n,) float64
        Charge counted out since the first sample. [Ah]
    curve : RestCurve
        Names the coulombic efficiency.

    Returns
    -------
    tuple of EnergyDay
        Energy with the voltage at the unit. In is the rise of the charge over the efficiency, plus what the
        loads took meanwhile; None before the filter knew the charge.
    """
    if len(frame) == 0:
        return ()
    last = int(frame.t_ms[-1]) // DAY_MS
    first = max(int(frame.t_ms[0]) // DAY_MS, last - NEWEST + 1)
    edges = np.arange(first, last + 2, dtype=np.int64) * DAY_MS
    volts = np.where(np.isfinite(frame.volts_12), frame.volts_12, 12.0) * frame.volt_scale
    wh = np.concatenate([[0.0], np.cumsum(np.diff(ah) * volts[:-1])])
    out_ah, out_wh = (np.diff(np.interp(edges, frame.t_ms, total)) for total in (ah, wh))
    pieces = _pieces(charged)
    rows = []
    for k, edge in enumerate(edges[:-1].tolist()):
        mine = [piece for piece in pieces if piece.day_ms == edge]
        rows.append(
            EnergyDay(
                day=edge,
                out_ah=float(out_ah[k]),
                out_wh=float(out_wh[k]),
                charged=tuple(
                    _put_in(
                        source,
                        [p for p in mine if p.source == source],
                        frame=frame,
                        state=state,
                        ah=ah,
                        coulombic_share=curve.coulombic_share,
                    )
                    for source in sorted({piece.source for piece in mine})
                ),
            )
        )
    return tuple(rows)


def _pieces(charged: Sequence[Charging]) -> list[_Piece]:
    """Return stretches cut at UTC midnights."""
    pieces = []
    for stretch in charged:
        for day in range(stretch.start // DAY_MS, stretch.end // DAY_MS + 1):
            start, end = max(stretch.start, day * DAY_MS), min(stretch.end, (day + 1) * DAY_MS)
            if end > start:
                pieces.append(_Piece(day * DAY_MS, start, end, stretch.source))
    return pieces


def _put_in(
    source: ChargeSource,
    pieces: Sequence[_Piece],
    *,
    frame: Frame,
    state: ChargeState,
    ah: FloatArray,
    coulombic_share: float,
) -> EnergyIn:
    """Return what one source put in during one day."""
    edges: IntArray = np.array([[p.start_ms, p.end_ms] for p in pieces], dtype=np.int64)
    hours = float(np.sum(edges[:, 1] - edges[:, 0])) / HOUR_MS
    way = state.way
    if state.gauge is None or way is None or int(edges[0, 0]) < int(way.t_ms[0]):
        return EnergyIn(source=source, hours=hours, ah=None, ah_reason="the charge was not followed then")
    rise = np.interp(edges, way.t_ms, way.soc) @ np.array([-1.0, 1.0])
    meanwhile = float(np.sum(np.interp(edges, frame.t_ms, ah) @ np.array([-1.0, 1.0])))
    doubt = float(np.sqrt(np.sum(np.interp(edges, way.t_ms, way.soc_sd) ** 2)))
    held = state.gauge.usable_ah
    gained = float(np.sum(rise)) * held
    spread = held * float(np.hypot(doubt, float(np.sum(rise)) * state.gauge.usable_share_sd))
    low, middle, high = (
        max(0.0, (gained + z * spread) / coulombic_share + meanwhile) for z in (-Z10, 0.0, Z10)
    )
    return EnergyIn(source=source, hours=hours, ah=Quantiles(p10=low, p50=middle, p90=high))
