"""A lead-acid bank that shows absorption voltage within minutes of charging: it has little left to fill."""

import numpy as np

from services.analytics.power.charging import absorption_starts_ms, stretches_of
from services.analytics.power.curves import curve_of, soc_at_rest
from services.analytics.power.frame import BoolArray, Frame
from services.domain import Evidence, Finding, UnitSettings
from services.timebase import DAY_MS, MINUTE_MS

FAST_MIN = 15.0
"""A sound bank at half charge takes hours from any usual charger to its absorption voltage (judgement)."""
LOW_SOC = 0.6
"""Charging from a rest voltage above this has little to fill anyway (judgement)."""
BEFORE_MS = 30 * MINUTE_MS
RECENT_MS = 7 * DAY_MS
FEWEST = 3
MOST_SHARE = 2.0 / 3.0
"""So many chargings of a week, and this share of those from low, must be fast (judgement)."""


def fast_absorption(
    frame: Frame, charging: BoolArray, settings: UnitSettings, *, as_of_ms: int
) -> Finding | None:
    """Return the finding that a lead-acid bank shows absorption voltage within minutes, charged from low.

    Parameters
    ----------
    frame : Frame
        Samples.
    charging : (n,) bool
        Where something charges.
    settings : UnitSettings
        Bank.
    as_of_ms : int
        Now. [ms]
    """
    bank = settings.bank
    if bank is None or bank.chemistry == "lifepo4":
        return None
    curve = curve_of(settings)[0]
    parts = stretches_of(charging)
    starts = frame.t_ms[parts.first[parts.charging & (parts.first > 0)]]
    high = absorption_starts_ms(frame.t_ms, frame.volts_12, charging, curve)
    shown: list[tuple[int, float]] = []
    for start in starts[starts >= as_of_ms - RECENT_MS].tolist():
        low, end = np.searchsorted(frame.t_ms, [start - BEFORE_MS, start])
        still = frame.volts_12[low:end][~frame.on[low:end] & np.isfinite(frame.volts_12[low:end])]
        if still.size == 0 or float(soc_at_rest(float(np.median(still)), curve)) > LOW_SOC:
            continue
        place = int(np.searchsorted(high, start))
        after = (int(high[place]) - start) / MINUTE_MS if place < high.size else np.inf
        shown.append((start, after))
    fast = [start for start, minutes in shown if minutes <= FAST_MIN]
    if len(fast) < FEWEST or len(fast) < MOST_SHARE * len(shown):
        return None
    return Finding(
        finding="absorption voltage within minutes",
        since=fast[0],
        check=(
            "It takes little charge: test its capacity after a full charge, each 12 V block alone, and look"
            " for sulphated plates. A charger far too large for it, or a voltage measured next to a charger"
            " behind a thin cable, looks the same. Work for licensed technicians."
        ),
        due=None,
        due_reason="one sign alone: look at it when somebody is there",
        call_out=False,
        evidence=(
            Evidence(
                quantity="from the start of charging to absorption voltage, median of those from low",
                value=round(float(np.median([minutes for _, minutes in shown])), 1),
                operator="<",
                threshold=FAST_MIN,
                unit="min",
                source=f"judgement; {len(fast)} of {len(shown)} in seven days, from under {LOW_SOC:.0%}",
            ),
        ),
    )
