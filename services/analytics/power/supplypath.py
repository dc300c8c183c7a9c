"""What cable and joints cost: measured against a sound path, its trend, hours of running lost, and advice."""

import numpy as np

from services.analytics.power.capacity import Capacity
from services.analytics.power.curves import RestCurve, battery_ohm, curve_of, rest_v
from services.analytics.power.frame import Frame
from services.analytics.power.resistance import (
    CABLE_AT_C,
    CONDUCTOR_OHM_PER_KM,
    JOINTS_OHM,
    SourceResistance,
    Steps,
    cable_ohm,
)
from services.analytics.power.trend import Trend, trend_of
from services.domain import DROP_LIMIT_SHARE, SupplyPath, UnitSettings
from services.telemetry import FloatArray
from services.timebase import DAY_MS

ALARM_DROP_SHARE = 0.05
"""Lost at running current, more is worth a repair (judgement; IEC 60364-5-52 table G.52.1 has 5 % for other
circuits, from memory)."""
HOT_CABLE_C = 60.0
"""At which a section is chosen: inside a vehicle in the sun (judgement)."""
WORN_OHM = 0.045
"""Beyond a sound path, at 12 V: a worn set of plug and lugs (common practice, no source)."""
FEWEST_A_DAY = 3
MONTH_D = 30.0
_GRID = np.linspace(0.0, 1.0, 101)


def loaded_curve(
    curve: RestCurve, *, capacity_ah: float, running_a: float, lithium: bool
) -> tuple[FloatArray, FloatArray]:
    """Return states of charge and the voltage one 12 V block of a sound battery then shows under load [V]."""
    ohm = battery_ohm(_GRID, capacity_ah=capacity_ah, lithium=lithium)
    return _GRID, rest_v(_GRID, curve) - running_a * ohm


def hours_lost(
    *,
    excess_ohm: float,
    cutout_v_12: float,
    running_a: float,
    mean_a: float,
    capacity_ah: float,
    soc: FloatArray,
    loaded_v_12: FloatArray,
    volt_scale: float = 1.0,
) -> float:
    """Return how much sooner a unit cuts out, from full, for resistance beyond a sound path.

    Parameters
    ----------
    excess_ohm : float
        Beyond the path that `loaded_v_12` holds for. [Ω]
    cutout_v_12 : float
        At the unit, at 12 V nominal. [V]
    running_a, mean_a : float
        While it runs, and on average. [A]
    capacity_ah : float
        Of the bank. [Ah]
    soc, loaded_v_12 : (n,) float64
        State of charge, rising, and the voltage at the unit over a sound path while it runs. [1], [V]
    volt_scale : float
        Nominal voltage over 12 V.

    Returns
    -------
    float
        Never negative; to empty where the cut-out is never reached. [h]
    """
    rising = np.maximum.accumulate(loaded_v_12)
    extra_v = max(excess_ohm, 0.0) * running_a / volt_scale
    stops = np.interp([cutout_v_12, cutout_v_12 + extra_v], rising, soc)
    return float(max(stops[1] - stops[0], 0.0) * capacity_ah / max(mean_a, 1e-9))


def advised_mm2(
    *, length_m: float, running_a: float, nominal_v: float, drop_share: float = DROP_LIMIT_SHARE
) -> float | None:
    """Return the smallest usual section that loses no more than a share of the nominal voltage, hot.

    Parameters
    ----------
    length_m : float
        One way. [m]
    running_a : float
        [A]
    nominal_v : float
        [V]
    drop_share : float
        Most of the nominal voltage lost in the cable alone.

    Returns
    -------
    float or None
        [mm²]; None where even the largest of the table loses more.
    """
    for section in sorted(CONDUCTOR_OHM_PER_KM):
        ohm = cable_ohm(length_m=length_m, section_mm2=section, temperature_c=HOT_CABLE_C)
        if running_a * ohm <= drop_share * nominal_v:
            return section
    return None


def daily_ohm(steps: Steps, curve: RestCurve) -> tuple[FloatArray, FloatArray]:
    """Return days and the median resistance of each, over charged stops where a day has enough.

    A stop at which another load came or went within the same sample stands apart from the rest of its day;
    the median lets it.
    """
    charged = steps.volts_off_12 >= curve.volts[5]
    t_ms, ohm = steps.t_ms[charged], steps.ohm[charged]
    day = t_ms // DAY_MS
    days = np.unique(day)
    medians = [(float(d), float(np.median(ohm[day == d]))) for d in days if np.sum(day == d) >= FEWEST_A_DAY]
    return np.array([d for d, _ in medians]), np.array([value for _, value in medians])


def supply_path(
    frame: Frame,
    steps: Steps,
    source: SourceResistance,
    settings: UnitSettings,
    *,
    cutout_v_12: float,
    capacity: Capacity | None,
    mean_a: float | None,
) -> tuple[SupplyPath | None, str | None]:
    """Return what is known of the path between battery and unit, or why nothing is.

    Parameters
    ----------
    frame : Frame
        Gives the temperature around the cable, where measured.
    steps, source : Steps, SourceResistance
        As measured at compressor stops.
    settings : UnitSettings
        Cable and bank.
    cutout_v_12 : float
        In force at the unit. [V at 12 V]
    capacity : Capacity or None
        Of the bank.
    mean_a : float or None
        Drawn on average by everything on the bank. [A]
    """
    if source.ohm is None:
        return None, source.reason
    curve, known = curve_of(settings)
    capacity_ah = 100.0 if capacity is None else capacity.ah
    lithium = settings.bank is not None and settings.bank.chemistry == "lifepo4"
    scale = frame.volt_scale
    charged_ohm = float(battery_ohm(0.75, capacity_ah=capacity_ah, lithium=lithium)) * scale
    cable_c = _cable_c(frame)
    cable = cable_ohm(length_m=settings.cable_length_m, section_mm2=settings.cable_mm2, temperature_c=cable_c)
    expected = cable + JOINTS_OHM + charged_ohm
    wires = source.wires_ohm
    excess = source.ohm - expected if wires is None else wires - (cable + JOINTS_OHM)
    lost = None
    if capacity is not None and mean_a is not None and mean_a > 0.0 and known:
        soc, loaded = loaded_curve(
            curve, capacity_ah=capacity_ah, running_a=settings.running_a, lithium=lithium
        )
        sound_v = loaded - settings.running_a * (cable + JOINTS_OHM) / scale
        lost = hours_lost(
            excess_ohm=excess,
            cutout_v_12=cutout_v_12,
            running_a=settings.running_a,
            mean_a=mean_a,
            capacity_ah=capacity_ah,
            soc=soc,
            loaded_v_12=sound_v,
            volt_scale=scale,
        )
    trend = trend_of(*daily_ohm(steps, curve))
    sd = 0.0 if source.sd_ohm is None else source.sd_ohm
    own_ohm = max(source.ohm - charged_ohm, 0.0) if wires is None else wires
    drop = settings.running_a * own_ohm / settings.nominal_v
    section = advised_mm2(
        length_m=settings.cable_length_m, running_a=settings.running_a, nominal_v=settings.nominal_v
    )
    worn = excess - sd > WORN_OHM * scale**2
    return (
        SupplyPath(
            ohm=source.ohm,
            sd_ohm=sd,
            stops=source.steps,
            coarse_reading=source.quantised,
            expected_ohm=expected,
            wires_ohm=wires,
            wires_ohm_reason="no voltage at the bank's own terminals" if wires is None else None,
            drop_share=drop,
            change_ohm_per_month=None if trend is None else trend.slope * MONTH_D,
            change_ohm_per_month_reason="fewer than eight days with enough stops" if trend is None else None,
            change_sure=trend is not None and trend.sure,
            hours_lost=lost,
            hours_lost_reason="capacity, chemistry or mean current not known" if lost is None else None,
            advised_mm2=section,
            advised_mm2_reason="no usual section is thick enough: shorten the run"
            if section is None
            else None,
            worn=worn,
            words=_words(settings, lost, drop, section, trend, worn=worn, excess=excess)
            + _ends_words(source),
        ),
        None,
    )


def _cable_c(frame: Frame) -> float:
    """Return the temperature taken for the cable: the median around it where measured [°C]."""
    known = frame.ambient_c[np.isfinite(frame.ambient_c)]
    return float(np.median(known)) if known.size else CABLE_AT_C


def _ends_words(source: SourceResistance) -> str:
    """Return what two voltages tell apart: cable and joints on one side, the battery on the other."""
    if source.ohm is None or source.wires_ohm is None:
        return ""
    return (
        f" Measured at both ends: cable and joints {source.wires_ohm * 1000:.0f} mΩ, the battery"
        f" {max(source.ohm - source.wires_ohm, 0.0) * 1000:.0f} mΩ."
    )


def _words(
    settings: UnitSettings,
    lost_h: float | None,
    drop: float,
    section: float | None,
    trend: Trend | None,
    *,
    worn: bool,
    excess: float,
) -> str:
    """Return what to say of it, in sentences."""
    said = [f"At running current {drop:.1%} of {settings.nominal_v} V is lost between battery and unit."]
    if worn and lost_h is not None:
        said.append(
            f"The {excess * 1000:.0f} mΩ beyond a sound path cost {lost_h:.1f} h of running from a full bank."
        )
    if worn:
        said.append("Check plug, fuse holder, joints and cable; electrical work is for licensed technicians.")
    if trend is not None and trend.sure and trend.low > 0.0:
        said.append(f"It grows by {trend.slope * MONTH_D * 1000:.0f} mΩ a month.")
    if section is not None and section > settings.cable_mm2:
        said.append(
            f"{settings.cable_length_m:g} m of {settings.cable_mm2:g} mm² is thin for"
            f" {settings.running_a:g} A: {section:g} mm² keeps within {DROP_LIMIT_SHARE:.0%}."
            " Fuse it at the battery, at most the cable's rating."
        )
    elif drop > ALARM_DROP_SHARE and not worn:
        said.append(f"More than {ALARM_DROP_SHARE:.0%} is worth a repair.")
    return " ".join(said)
