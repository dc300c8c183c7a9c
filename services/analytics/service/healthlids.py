"""How often a cabinet was opened on each day: by its switch, else guessed from jumps of its temperature."""

import numpy as np

from services.analytics.power.frame import Frame
from services.analytics.service.healthgrid import Days
from services.analytics.service.healthturns import Turns
from services.telemetry import FloatArray, IntArray, Series
from services.timebase import HOUR_MS, MINUTE_MS

JUMP_K = 0.3
"""A step this far above what the stretch does anyway is warm air let in; smaller ones drown in the reading
(judgement)."""
COARSEST_MS = 2 * MINUTE_MS
"""Readings further apart show no opening."""
ONE_OPENING_MS = 5 * MINUTE_MS
"""Jumps closer together than this are one opening."""


def lids_of(series: Series, frame: Frame, turns: Turns, days: Days) -> FloatArray:
    """Return openings by day: by the switch on days it was heard, else by jumps; NaN where neither tells.

    Parameters
    ----------
    series : Series
        With the lid's switch, where there is one.
    frame, turns : Frame, Turns
        Samples, and how fast the cabinet moves in each stretch anyway.
    days : Days
        Days asked for.

    Returns
    -------
    (d,) float64
        By jumps only those that let much warm air in are counted.
    """
    found = np.full(days.count, np.nan)
    if len(frame) > 1 and frame.spacing_ms <= COARSEST_MS:
        jumped = _jumps(frame, turns)
        first = np.concatenate([[True], np.diff(jumped) > ONE_OPENING_MS]) if jumped.size else jumped > 0
        count = days.total(days.place(jumped[first]), np.ones(int(np.sum(first))))
        heard = days.total(days.place(frame.t_ms), np.isfinite(frame.cabinet_c).astype(np.float64)) > 0
        found = np.where(heard, count, np.nan)
    if not series.has("lid_open"):
        return found
    lid = series.numbers("lid_open")
    known = np.isfinite(lid)
    t_ms, state = series.t_ms[known], lid[known] > 0.5  # noqa: PLR2004 - between 0 and 1
    opened = t_ms[1:][state[1:] & ~state[:-1]]
    heard = days.total(days.place(t_ms), np.ones(t_ms.size)) > 0
    return np.where(heard, days.total(days.place(opened), np.ones(opened.size)), found)


def _jumps(frame: Frame, turns: Turns) -> IntArray:
    """Return the times at which the cabinet rose by more than its stretch explains [ms]."""
    apart_ms = np.diff(frame.t_ms)
    stretch = np.searchsorted(turns.start_ms, frame.t_ms[1:], side="right") - 1
    rate = turns.rate_k_per_h[stretch]
    usual = np.where(np.isfinite(rate), np.maximum(rate, 0.0), 0.0) * apart_ms / HOUR_MS
    rise = np.diff(frame.cabinet_c) - usual
    with np.errstate(invalid="ignore"):
        jumped = (rise >= JUMP_K) & (apart_ms <= COARSEST_MS)
    return np.asarray(frame.t_ms[1:][jumped], dtype=np.int64)
