"""How a machine did on each UTC day, in numbers that tell one day from another.

A number that a day does not tell is None; `HealthDay.why_not` says in one word why. Numbers are raw
beside normalised, so that whoever compares days chooses what to compare.
"""

from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np

from services.domain._frozen import Frozen
from services.domain._reasoned import Instant
from services.telemetry import FloatArray, IntArray

AmbientFrom = Literal["measured", "neighbour"]
"""By the unit's own sensor, or by that of another unit at the same site."""
LidsFrom = Literal["measured", "jumps"]
"""By a switch, or guessed from jumps of the cabinet's temperature."""
AhFrom = Literal["measured", "file"]
"""By a measured current, or by the running current that the file says."""
DustFrom = Literal["driving", "charging", "running"]
"""Hours the engine said it feeds; a vehicle's hours of charging; hours the machine ran."""
DayMark = Literal["warm_load", "heat", "stood_warm", "always_on", "lid", "part_seen"]
"""What sets a day aside from its neighbours without any fault.

``warm_load``: warm goods were pulled down; ``heat``: hotter than any climate class asks for;
``stood_warm``: it stood still for an hour although the cabinet was warm; ``always_on``: it ran nearly
all of the time seen; ``lid``: opened far more often than is usual; ``part_seen``: less than
three quarters of the day were seen.
"""
WhyNot = Literal["not_measured", "no_ambient", "no_battery", "too_little"]
"""The channel is missing; the air around it is not known; fed without a battery; too few hours or turns."""


@dataclass(frozen=True, slots=True)
class Feature:
    """One number of a day: its unit of measure and the channels it takes beside the compressor's state."""

    unit: str
    needs: tuple[str, ...] = ()


FEATURES: dict[str, Feature] = {
    "hours_run": Feature("h"),
    "starts": Feature("1"),
    "duty": Feature("1"),
    "starts_per_h": Feature("1/h"),
    "longest_run_h": Feature("h"),
    "full_duty_share": Feature("1"),
    "ambient_c": Feature("°C", ("ambient",)),
    "ambient_max_c": Feature("°C", ("ambient",)),
    "gap_k": Feature("K", ("cabinet", "ambient")),
    "night_duty": Feature("1"),
    "night_gap_k": Feature("K", ("cabinet", "ambient")),
    "night_slope_per_k": Feature("1/K", ("cabinet", "ambient")),
    "hot_slope_per_k": Feature("1/K", ("cabinet", "ambient")),
    "off_k_per_h": Feature("K/h", ("cabinet",)),
    "on_k_per_h": Feature("K/h", ("cabinet",)),
    "night_off_k_per_h": Feature("K/h", ("cabinet",)),
    "night_on_k_per_h": Feature("K/h", ("cabinet",)),
    "warm_up_per_h": Feature("1/h", ("cabinet", "ambient")),
    "cooling_k_per_h": Feature("K/h", ("cabinet",)),
    "capacity_ratio_k": Feature("K", ("cabinet", "ambient")),
    "time_constant_h": Feature("h", ("cabinet", "ambient")),
    "gain_w_per_k": Feature("W/K", ("cabinet", "ambient", "load")),
    "evaporator_gap_k": Feature("K", ("cabinet", "evaporator")),
    "above_set_k": Feature("K", ("cabinet",)),
    "swing_k": Feature("K", ("cabinet",)),
    "stop_above_k": Feature("K", ("cabinet",)),
    "start_above_k": Feature("K", ("cabinet",)),
    "lids": Feature("1", ("cabinet",)),
    "warm_load_h": Feature("h", ("cabinet",)),
    "stood_warm_h": Feature("h", ("cabinet",)),
    "running_a": Feature("A", ("current",)),
    "running_a_sd": Feature("A", ("current",)),
    "running_v": Feature("V", ("battery", "current")),
    "rest_v": Feature("V", ("battery",)),
    "loaded_v": Feature("V", ("battery",)),
    "dawn_v": Feature("V", ("battery",)),
    "path_ohm": Feature("Ω", ("battery",)),
    "path_stops": Feature("1", ("battery",)),
    "sag_v": Feature("V", ("battery",)),
    "ah": Feature("A h", ("battery",)),
    "charging_h": Feature("h", ("battery",)),
    "full": Feature("1", ("battery",)),
    "cutouts": Feature("1", ("cabinet", "battery")),
    "dust_h": Feature("h"),
}
"""Every number of a `HealthDay` that may be followed over time."""


class HealthDay(Frozen):
    """One UTC day of one unit."""

    day: Instant
    """Its start."""
    measured_on: str
    """Site, bank, set point and machine as described then; another word begins another baseline."""
    has: tuple[str, ...] = ()
    """Channels that were measured on it, beside the compressor's state; ``load``: its weight is declared."""
    on_battery: bool = True
    marks: tuple[DayMark, ...] = ()
    hours_seen: float
    """With a known compressor state."""
    hours_run: float | None = None
    starts: float | None = None
    """As seen; one that failed between two samples is not."""
    duty: float | None = None
    """Share of the time seen in which the machine ran."""
    starts_per_h: float | None = None
    longest_run_h: float | None = None
    """Longest unbroken run, as far as it lies within the day."""
    full_duty_share: float | None = None
    """Share of the time seen within runs of two hours and more."""
    ambient_c: float | None = None
    """Mean of the air around the unit."""
    ambient_max_c: float | None = None
    ambient_from: AmbientFrom | None = None
    gap_k: float | None = None
    """Mean of that air less the cabinet."""
    night_h: float = 0.0
    """Hours seen of the site's night, doors taken to be shut."""
    night_duty: float | None = None
    """Of whole turns of the machine begun in those hours, else of the hours themselves."""
    night_gap_k: float | None = None
    night_slope_per_k: float | None = None
    """Duty per kelvin between air and cabinet at night, brought to air of 32 °C."""
    hot_slope_per_k: float | None = None
    """The same of the hours around noon."""
    off_k_per_h: float | None = None
    """Middle of how fast the cabinet warms while the machine stands, its first minutes left out."""
    on_k_per_h: float | None = None
    """Middle of how fast it cools while the machine runs, its first minutes left out; cooling is positive."""
    night_off_k_per_h: float | None = None
    night_on_k_per_h: float | None = None
    warm_up_per_h: float | None = None
    """Heat gain over heat capacity, from the off stretches and the air around them."""
    cooling_k_per_h: float | None = None
    """Cooling capacity over heat capacity: both rates together. Needs no air temperature."""
    capacity_ratio_k: float | None = None
    """Cooling capacity over heat gain: the most the cabinet could be held below its air."""
    time_constant_h: float | None = None
    """Of stretches of 45 min and more without cooling: that of air, walls and food together."""
    gain_w_per_k: float | None = None
    """Heat gain, where a load is declared and a time constant was seen."""
    evaporator_gap_k: float | None = None
    """Middle of cabinet less evaporator while the machine runs, its first minutes left out."""
    above_set_k: float | None = None
    """Mean of the cabinet less its set point."""
    swing_k: float | None = None
    """Middle of the rise from a stop to the next start."""
    stop_above_k: float | None = None
    """Middle of the cabinet less set point where the machine stopped."""
    start_above_k: float | None = None
    """Middle of the cabinet less set point where it started."""
    set_point_c: float | None = None
    """As the unit reported it, else as the file says."""
    lids: float | None = None
    lids_from: LidsFrom | None = None
    warm_load_h: float | None = None
    """Hours in which it ran with the cabinet clearly above where it usually starts."""
    stood_warm_h: float | None = None
    """Hours in which it stood with the cabinet clearly above where it usually starts."""
    running_a: float | None = None
    """Middle of the current while it ran, its first minutes left out."""
    running_a_sd: float | None = None
    running_v: float | None = None
    """Middle of the voltage at the unit at those samples."""
    rest_v: float | None = None
    """Middle of the voltage at the unit while it stood and nothing charged."""
    loaded_v: float | None = None
    """The same while it ran."""
    dawn_v: float | None = None
    """Middle of the voltage at rest in the last two hours before dawn, where nothing charged."""
    path_ohm: float | None = None
    """Middle over compressor stops of a charged bank."""
    path_stops: float | None = None
    sag_v: float | None = None
    """What the voltage gives way by at running current over that path."""
    ah: float | None = None
    """Charge the unit drew."""
    ah_from: AhFrom | None = None
    charging_h: float | None = None
    full: float | None = None
    """1 where a full charge ended on that day, else 0."""
    cutouts: float | None = None
    """Stops for want of supply that began on it: too low a voltage, or none at all."""
    dust_h: float | None = None
    """Hours in which dust was drawn in."""
    dust_from: DustFrom | None = None

    def why_not(self, feature: str) -> WhyNot | None:
        """Return why the day does not tell a number; None where it does."""
        if getattr(self, feature) is not None:
            return None
        needs = FEATURES[feature].needs
        if "battery" in needs and not self.on_battery:
            return "no_battery"
        if "ambient" in needs and self.ambient_from is None:
            return "no_ambient"
        missing = [need for need in needs if need not in self.has and need != "ambient"]
        return "not_measured" if missing else "too_little"


@dataclass(frozen=True)
class HealthTable:
    """Days of one unit side by side, in order of time; days nothing was heard of are not in it."""

    days: tuple[HealthDay, ...] = ()
    _columns: dict[str, FloatArray] = field(default_factory=dict, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Refuse days out of order."""
        if any(a.day >= b.day for a, b in zip(self.days[:-1], self.days[1:], strict=True)):
            raise ValueError("days out of order")

    def __len__(self) -> int:
        """Return how many days there are."""
        return len(self.days)

    @cached_property
    def day_ms(self) -> IntArray:
        """Their starts [ms]."""
        return np.array([day.day for day in self.days], dtype=np.int64)

    def column(self, name: str) -> FloatArray:
        """Return one number of every day, NaN where it is not known."""
        if name not in self._columns:
            values = [getattr(day, name) for day in self.days]
            self._columns[name] = np.array([np.nan if v is None else v for v in values], dtype=np.float64)
        return self._columns[name]

    def marked(self, *marks: DayMark) -> "np.ndarray[tuple[int], np.dtype[np.bool_]]":
        """Return which days carry one of some marks."""
        wanted = set(marks)
        return np.array([not wanted.isdisjoint(day.marks) for day in self.days], dtype=np.bool_)

    def between(self, start_ms: int, end_ms: int) -> "HealthTable":
        """Return the days that begin in ``[start_ms, end_ms)``."""
        return HealthTable(tuple(day for day in self.days if start_ms <= day.day < end_ms))


class Usual(Frozen):
    """Where one number of a unit lay on the days it is compared with."""

    feature: str
    middle: float
    low: float
    high: float
    """One in ten of those days lay below `low`, one in ten above `high`."""
    days: int
    first: Instant
    last: Instant
    """First and last of those days."""


MarkKind = Literal["service", "set_point", "site", "bank", "machine", "wiring", "sensor"]
"""What was done to a unit: work by the workshop, or a description that changed."""


class ServiceMark(Frozen):
    """A moment from which a unit is no longer compared with what it was before."""

    at: Instant
    kind: MarkKind
    words: str = ""
    """What was written down, as it stands in the records."""
