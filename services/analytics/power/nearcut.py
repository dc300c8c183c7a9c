"""How near the cut-out a unit ran: the voltage under load tells it surest close to the end."""

from dataclasses import replace

import numpy as np

from services.analytics.power.charge import ChargeState
from services.analytics.power.curves import CURVES, curve_of
from services.analytics.power.drop import Drop, loaded_v
from services.analytics.power.frame import BoolArray, Frame
from services.analytics.power.siteclock import by_night
from services.analytics.power.situation import Situation
from services.analytics.power.underload import GRID, LEAST_LOADED_V
from services.domain import UnitSettings
from services.telemetry import FloatArray
from services.timebase import HOUR_MS

RECENT_MS = 3 * HOUR_MS
"""An older run says little of now (judgement)."""
NEAR_SHARE = 0.25
"""Further above the cut-out the curve between says more than the voltage (judgement)."""


def seen_under_load(situation: Situation, soc_cut: float, left_share: float) -> ChargeState:
    """Return the bank's state, the voltage of the newest run held against the cut-out.

    Not of lithium: of what it still gives below 12.5 V, lists and models tell from two to ten hundredths.
    """
    gauge = situation.state.gauge
    if gauge is None or situation.charging is None or situation.ah is None:
        return situation.state
    if curve_of(situation.settings)[0] is CURVES["lifepo4"]:
        return situation.state
    above = margin_under_load(
        situation.frame,
        situation.settings,
        charging=situation.charging,
        drop=situation.drop,
        cutout_v_12=situation.cutout_v_12,
        ah=situation.ah,
    )
    if above is None:
        return situation.state
    return replace(situation.state, gauge=gauge.seen_above(soc_cut, *above, left_share))


def margin_under_load(
    frame: Frame,
    settings: UnitSettings,
    *,
    charging: BoolArray,
    drop: Drop,
    cutout_v_12: float,
    ah: FloatArray,
) -> tuple[float, float] | None:
    """Return how far above the cut-out the voltage of the newest run lies.

    Parameters
    ----------
    frame : Frame
        Samples.
    charging : (n,) bool
        Where something charges.
    drop : Drop
        Cable, joints and battery.
    cutout_v_12 : float
        The cut-out. [V at 12 V]
    ah : (n,) float64
        Charge counted out since the first sample. [Ah]

    Returns
    -------
    tuple of float or None
        Share of charge between that voltage and the cut-out, both under load, so that what is off in curve
        and drop is off in both; and what was counted out since [Ah]. None where no run ended lately or near.
    """
    ends = np.flatnonzero(frame.on[:-1] & ~frame.on[1:])
    if ends.size == 0 or not bool(np.isfinite(frame.volts_12[ends[-1]])):
        return None
    at = ends[-1:]
    lately = frame.t_ms[-1] - frame.t_ms[at[0]] <= RECENT_MS and not bool(np.any(charging[at[0] :]))
    weak_sun = settings.unit.supply.panel_wp > 0 and not bool(by_night(frame.t_ms[at], settings)[0])
    unknown = settings.unit.compressor.variable_speed and not bool(np.isfinite(frame.current_a[at[0]]))
    if not lately or weak_sun or unknown or frame.volts_12[at[0]] <= LEAST_LOADED_V:
        return None
    own_a = np.where(np.isfinite(frame.current_a[at]), frame.current_a[at], settings.running_a)
    shown = loaded_v(GRID, settings, drop, unit_a=own_a)
    above = float(np.mean(shown < frame.volts_12[at[0]]) - np.mean(shown < cutout_v_12))
    return (max(0.0, above), float(ah[-1] - ah[at[0]])) if above <= NEAR_SHARE else None
