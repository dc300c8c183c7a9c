"""What is followed from day to day, brought to equal air and equal voltage so that days can be compared."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from services.analytics.power.frame import BoolArray
from services.analytics.service.healthgrid import ratio
from services.analytics.service.signatures import SignalName
from services.analytics.service.weather import USUAL_C, Weather, gap_k
from services.domain import DayMark, HealthTable, UnitSettings
from services.telemetry import FloatArray, IntArray

CAPACITY_PER_K = 0.006
"""Cooling capacity lost for a kelvin of warmer air. The ideal cycle's falls 9 to 10 % in volume from 35 to
45 °C condensing; warmer suction gives part of it back: 0 to 0.012 are taken as possible. [1/K]"""
CURRENT_PER_K = 0.007
"""Rise of the power drawn for a kelvin of warmer air (judgement). [1/K]"""
RATED_AIR_C = 32.0
"""Air at which capacities are compared. [°C]"""

Witness = Literal[
    "standing",
    "standing by night",
    "running",
    "running by night",
    "current",
    "steps",
    "volts",
    "rest",
    "plate",
    "level",
    "noon",
    "counted",
]
"""What a number is read from. Two numbers of different witnesses are independent; `counted` ones follow from
the others and never count."""


@dataclass(frozen=True, slots=True)
class Followed:
    """One number that is followed."""

    name: SignalName
    witness: Witness
    column: str
    quantity: str
    unit: str
    share: bool
    """Whether it is compared as a ratio, rather than as a difference."""
    least_sd: float
    least: float
    """Smallest change worth telling: as a natural logarithm for ratios, else in `unit` (at 12 V)."""


def _ratio(
    name: SignalName, witness: Witness, column: str, quantity: str, unit: str, *, sd: float, least: float
) -> Followed:
    return Followed(name, witness, column, quantity, unit, share=True, least_sd=sd, least=least)


def _plain(
    name: SignalName, witness: Witness, column: str, quantity: str, unit: str, *, sd: float, least: float
) -> Followed:
    return Followed(name, witness, column, quantity, unit, share=False, least_sd=sd, least=least)


FOLLOWED: tuple[Followed, ...] = (
    _ratio("cools", "running", "cooling_k_per_h", "speed of cooling", "K/h", sd=0.03, least=0.09),
    _ratio(
        "cools",
        "running by night",
        "night_cooling_k_per_h",
        "speed of cooling at night",
        "K/h",
        sd=0.035,
        least=0.09,
    ),
    _ratio(
        "warms", "standing", "off_k_per_h", "speed of warming while it stands", "K/h", sd=0.05, least=0.16
    ),
    _ratio(
        "warms",
        "standing by night",
        "night_off_k_per_h",
        "speed of warming at night",
        "K/h",
        sd=0.04,
        least=0.11,
    ),
    _ratio("works", "counted", "night_duty", "running share at night", "1", sd=0.05, least=0.12),
    _ratio("starts", "counted", "starts_per_h", "starts an hour", "1/h", sd=0.05, least=0.15),
    _ratio("current", "current", "power_w", "power drawn while it runs", "W", sd=0.02, least=0.05),
    _ratio("sag", "steps", "path_ohm", "resistance seen when it stops", "Ω", sd=0.04, least=0.15),
    _ratio("sag", "volts", "drop_v", "voltage lost while it runs", "V", sd=0.08, least=0.25),
    _ratio(
        "noon", "noon", "noon_over_night", "running share a kelvin, noon over night", "1", sd=0.06, least=0.12
    ),
    _plain("rest", "rest", "dawn_v", "voltage at rest before dawn", "V", sd=0.05, least=0.25),
    _ratio("plate", "plate", "evaporator_gap_k", "cabinet less evaporator", "K", sd=0.05, least=0.15),
    _plain("level", "level", "stop_above_k", "where it stops, above the set point", "K", sd=0.10, least=0.5),
    _plain("swing", "counted", "swing_k", "rise between stop and start", "K", sd=0.10, least=0.5),
)
"""Smallest spreads and changes are judgement. By day openings and what is put in add to the warming, whatever
the air is: only a larger change counts there than by night."""

LITHIUM_REST = _plain("rest", "rest", "dawn_v", "voltage at rest before dawn", "V", sd=0.012, least=0.06)
"""Lithium rests within a tenth of a volt from a third full to full: the plain change in `FOLLOWED`, that of
lead, would be most of its charge (judgement)."""


def followed_of(settings: UnitSettings) -> tuple[Followed, ...]:
    """Return what is followed of a unit, its bank's chemistry considered."""
    if settings.bank is None or settings.bank.chemistry != "lifepo4":
        return FOLLOWED
    return tuple(LITHIUM_REST if each.name == "rest" else each for each in FOLLOWED)


DOUBT_PER_K: Mapping[SignalName, float] = {
    "cools": 0.006,
    "warms": 0.004,
    "sag": 0.004,
    "current": 0.006,
    "rest": 0.008,
    "noon": 0.004,
}
"""How far off the correction to equal air may be for a kelvin between then and now (judgement). [1/K; V/K]"""
SEASON_K = 8.0
"""How far the air may be from that of the baseline where nothing tells it (judgement)."""
FROST_SHARE = 0.07
"""How much further beyond its own range a freezer's speed of cooling must fall: frost takes it down and
thawing gives it back, more in one month than in another (judgement)."""

USE: tuple[DayMark, ...] = ("warm_load", "heat", "lid")
"""Days of heavy use or heat."""
UNFIT: tuple[DayMark, ...] = ("part_seen",)
_OFTEN_DAYS = 10
OF_ONE_SPEED = (
    "cooling_k_per_h",
    "night_cooling_k_per_h",
    "night_duty",
    "starts_per_h",
    "power_w",
    "noon_over_night",
)
"""What says nothing of a machine that changes its speed."""


@dataclass(frozen=True)
class Days:
    """The days of one unit that a finding is made from, brought to equal air and voltage."""

    day_ms: IntArray
    begun_ms: int
    """Start of the first day on which the unit was described as on the last."""
    duty: FloatArray
    columns: Mapping[str, FloatArray]
    """What `FOLLOWED` names, for every day, ratios as logarithms; NaN where a day does not tell."""
    air_c: FloatArray
    gap_k: FloatArray
    """Air less cabinet."""
    air_known: BoolArray
    """Where something near measured it; else the usual and the weather of the region."""
    fit: BoolArray
    """Days that are compared."""

    def until(self, end_ms: int) -> "Days":
        """Return the days before an instant; `begun_ms` stays."""
        part = slice(0, int(np.searchsorted(self.day_ms, end_ms)))
        return Days(
            self.day_ms[part],
            self.begun_ms,
            self.duty[part],
            {name: values[part] for name, values in self.columns.items()},
            self.air_c[part],
            self.gap_k[part],
            self.air_known[part],
            self.fit[part],
        )


def days_of(table: HealthTable, settings: UnitSettings, weather: Weather) -> Days:
    """Return days laid out for comparison.

    Parameters
    ----------
    table : HealthTable
        Days of one unit.
    settings : UnitSettings
        Nominal voltage, and whether its machine has one speed.
    weather : Weather
        Of its region; used where nothing near it measures the air.
    """
    air_c, gap, known = _air(table, weather)
    above_k = np.where(np.isfinite(air_c), air_c - RATED_AIR_C, USUAL_C - RATED_AIR_C)
    capacity, drawn = 1.0 - CAPACITY_PER_K * above_k, 1.0 + CURRENT_PER_K * above_k
    usual_k = gap_k(table)
    night_k = np.where(known, table.column("night_gap_k"), gap)
    night_k = np.where(np.isfinite(night_k), night_k, gap)
    night = capacity + CAPACITY_PER_K * np.nan_to_num(gap - night_k)
    scale = settings.nominal_v / 12.0
    cooling = table.column("night_off_k_per_h") + table.column("night_on_k_per_h")
    columns = {
        "cooling_k_per_h": table.column("cooling_k_per_h") / capacity,
        "night_cooling_k_per_h": cooling / night,
        "off_k_per_h": table.column("off_k_per_h") * usual_k / gap,
        "night_off_k_per_h": table.column("night_off_k_per_h") * usual_k / night_k,
        "night_duty": table.column("night_duty") * usual_k / night_k * night,
        "starts_per_h": table.column("starts_per_h"),
        "noon_over_night": ratio(table.column("hot_slope_per_k"), table.column("night_slope_per_k")),
        "power_w": table.column("running_a") * table.column("running_v") / drawn,
        "path_ohm": table.column("path_ohm") / drawn,
        "drop_v": (table.column("rest_v") - table.column("loaded_v")) / scale / drawn,
        "dawn_v": table.column("dawn_v") / scale,
        **{name: table.column(name) for name in ("evaporator_gap_k", "stop_above_k", "swing_k")},
    }
    if settings.unit.compressor.variable_speed:
        columns |= {name: np.full(len(table), np.nan) for name in OF_ONE_SPEED}
    for followed in FOLLOWED:
        if followed.share:
            positive = columns[followed.column]
            columns[followed.column] = np.log(np.where(positive > 0.0, positive, np.nan))
    return Days(
        table.day_ms, _begun_ms(table), table.column("duty"), columns, air_c, gap, known, usable(table)
    )


def _begun_ms(table: HealthTable) -> int:
    """Return since when a unit has been described as it is: other site, bank or set point, other numbers."""
    begun_ms = 0
    for before, after in pairwise(table.days):
        if after.measured_on != before.measured_on:
            begun_ms = after.day
    return begun_ms


def _air(table: HealthTable, weather: Weather) -> tuple[FloatArray, FloatArray, BoolArray]:
    near, gap = table.column("ambient_c"), table.column("gap_k")
    known = np.isfinite(near) & np.isfinite(gap)
    warmer, usual_k = weather.over(table.day_ms), gap_k(table)
    middle = float(np.median(near[known])) if known.any() else USUAL_C
    return np.where(known, near, middle + warmer), np.where(known, gap, usual_k + warmer), known


def usable(table: HealthTable) -> BoolArray:
    """Return which days are compared: not those of heavy use or heat, unless most have become so.

    Use is over in a day or two; a machine that fails makes every day look like one of heavy use.
    """
    fit = ~table.marked(*UNFIT)
    use = table.marked(*USE) & fit
    often = np.zeros(len(table), dtype=np.bool_)
    places = np.flatnonzero(fit)
    marks = use[places].astype(np.int64)
    total = np.concatenate([[0], np.cumsum(marks)])
    for k, place in enumerate(places.tolist()):
        low = max(0, k + 1 - _OFTEN_DAYS)
        often[place] = 2 * (total[k + 1] - total[low]) > k + 1 - low
    return fit & (~use | often)
