"""Everything that acts on the cabinets from outside, one UTC day at a time, the same for every run.

Any day can be asked for in any order: each draws from a generator seeded by scenario, subject and day.
"""

from dataclasses import dataclass, fields, replace
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from firmware_sim.plant.electrics import Inputs
from firmware_sim.plant.place import FULL_SUN_W_PER_M2, STEPS_A_DAY, Place, PlaceDay, covered, generator_of
from firmware_sim.plant.weather import lagged
from firmware_sim.scenarios.load import Scenario
from firmware_sim.scenarios.model import STEP_S, Event, UnitPhysics
from firmware_sim.scenarios.moments import begins_ms
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, HOUR_MS

__all__ = ["SENSOR_NOISE", "STEPS_A_DAY", "Forcing", "Outside", "event_start_ms"]

_UNIT, _NOISE = 2, 3
"""Salts that keep the generators of units and sensors apart."""

LARGE_FLEET = 1000
"""Units beyond which memory counts."""

LAG_REACH = 8.0
"""A niche remembers so many of its time constants."""

SENSOR_NOISE = {
    "cabinet_c": 0.05,
    "ambient_c": 0.15,
    "product_c": 0.04,
    "battery_v": 0.005,
    "current_a": 0.03,
}
"""Standard deviation of each sensor, in its unit. Judgement, no source."""


@dataclass(frozen=True)
class Charging:
    """One UTC day of what chargers run on, a row for each step and a column for each bank."""

    sun_w_per_m2: FloatArray
    """On the panels. [W/m²]"""
    engine: FloatArray
    mains: FloatArray
    generator: FloatArray
    """Share of the step each runs. [1]"""
    bank_c: FloatArray
    """Air around the banks. [°C]"""


@dataclass(frozen=True)
class Forcing:
    """One UTC day of outside influences, a row for each step."""

    outside_c: FloatArray
    """(steps, units) air around each cabinet. [°C]"""
    lid_w_per_k: FloatArray
    """(steps, units) heat let in by open lids, mean over the step. [W/K]"""
    lid_share: FloatArray
    """(steps, units) share of the step a lid stands open; one ajar does not count. [1]"""
    vapour_kg_per_kg: FloatArray
    """(steps, units) water over dry air outside. [kg/kg]"""
    charging: Charging
    fed: npt.NDArray[np.bool_]
    """(steps, units) whether mains or generator are there for the units they feed."""
    noise: dict[str, FloatArray]
    """(steps, units) by column, in the unit of the column; empty where none was asked for."""

    def with_lids(self, lid_w_per_k: FloatArray, lid_share: FloatArray) -> "Forcing":
        """Return the same day with other lids."""
        return replace(self, lid_w_per_k=lid_w_per_k, lid_share=lid_share)

    def coarser(self) -> "Forcing":
        """Return the day in steps of twice the length: means of influences, noise of the later instant."""
        charging = self.charging
        return Forcing(
            outside_c=_paired(self.outside_c),
            lid_w_per_k=_paired(self.lid_w_per_k),
            lid_share=_paired(self.lid_share),
            vapour_kg_per_kg=_paired(self.vapour_kg_per_kg),
            charging=Charging(**{f.name: _paired(getattr(charging, f.name)) for f in fields(charging)}),
            fed=self.fed[1::2],
            noise={column: values[1::2] for column, values in self.noise.items()},
        )

    def inputs(self, row: int) -> Inputs:
        """Return what acts on wires and banks in one step."""
        charging = self.charging
        return Inputs(
            sun_w_per_m2=charging.sun_w_per_m2[row],
            engine=charging.engine[row],
            mains=charging.mains[row],
            generator=charging.generator[row],
            bank_c=charging.bank_c[row],
            cable_c=self.outside_c[row],
            fed=self.fed[row],
        )


def _paired(values: FloatArray) -> FloatArray:
    mean: FloatArray = 0.5 * (values[::2] + values[1::2])
    return mean


def opens_at(lid_share: FloatArray) -> FloatArray:
    """Return after which share of each step a lid opens, from the share of the step it stands open.

    An opening that is cut by the edge of a step is there on both sides of it; one within a step lies in
    its middle.

    Parameters
    ----------
    lid_share : (steps, n) float64
        [1]

    Returns
    -------
    (steps, n) float64
        [1]
    """
    opened = lid_share > 0.0
    before, after = np.zeros_like(opened), np.zeros_like(opened)
    before[1:], after[:-1] = opened[:-1], opened[1:]
    shut = 1.0 - lid_share
    return np.where(before, 0.0, np.where(after, shut, 0.5 * shut))


def event_start_ms(event: Event, *, anchor_ms: int, zone: ZoneInfo) -> int:
    """Return when an event begins, for a history that meets the present at `anchor_ms`."""
    return begins_ms(event, anchor_ms=anchor_ms, zone=zone)


class Outside:
    """The outside world of a scenario; `anchor_ms` is where its history meets the present.

    Without `noise` none is drawn for the sensors.

    Raises
    ------
    ConfigurationError
        If a site's file of weather cannot be used.
    """

    def __init__(self, scenario: Scenario, *, anchor_ms: int, noise: bool = True) -> None:
        self._scenario = scenario
        self._noisy = noise
        self._anchor_ms = anchor_ms
        self._places = [Place(scenario, i, anchor_ms=anchor_ms) for i in range(len(scenario.sites))]
        position = {site.id: i for i, (site, _) in enumerate(scenario.sites)}
        self._site: IntArray = np.array([position[unit.site] for unit, _ in scenario.units], dtype=np.int64)
        self._site_of_bank = self._banks_to_sites()
        self._days: dict[int, Forcing] = {}

    def _banks_to_sites(self) -> IntArray:
        found: dict[str, int] = {}
        for (unit, _), site in zip(self._scenario.units, self._site, strict=True):
            if unit.supply.bank is not None:
                found.setdefault(unit.supply.bank, int(site))
        return np.array([found.get(bank.id, 0) for bank, _ in self._scenario.banks], dtype=np.int64)

    def day(self, day: int) -> Forcing:
        """Return a day, counted from 1970-01-01 UTC; the last two are kept, of a large fleet the last."""
        if day not in self._days:
            kept = 1 if self._site.size <= LARGE_FLEET else 0
            self._days = {k: v for k, v in self._days.items() if day - kept <= k < day}
            self._days[day] = self._made(day)
        return self._days[day]

    def _made(self, day: int) -> Forcing:
        scenario = self._scenario
        places = [place.day(day) for place in self._places]
        shape = (STEPS_A_DAY, len(scenario.units))
        outside, lid, opened = (np.empty(shape[::-1]).T for _ in range(3))
        niches: dict[tuple[float, ...], FloatArray] = {}
        for i, (_, physics) in enumerate(scenario.units):
            outside[:, i] = self._niche_c(physics, int(self._site[i]), day, niches)
            opened[:, i], lid[:, i] = self._lid(i, physics, day)
        vapour = np.stack([place.vapour_kg_per_kg for place in places], axis=1)[:, self._site]
        noise = self._noise(day) if self._noisy else {}
        fed = self._fed(places)
        outside, lid, opened = (np.ascontiguousarray(values) for values in (outside, lid, opened))
        return Forcing(outside, lid, opened, vapour, self._charging(day, places), fed, noise)

    def _noise(self, day: int) -> dict[str, FloatArray]:
        """Return what sensors add, each unit's from a generator of its own."""
        drawn = np.empty((len(SENSOR_NOISE), self._site.size, STEPS_A_DAY))
        for i in range(self._site.size):
            draw = generator_of(self._scenario.seed, _NOISE, self._scenario.number("unit", i), day)
            drawn[:, i] = draw.standard_normal((len(SENSOR_NOISE), STEPS_A_DAY))
        return {
            column: np.ascontiguousarray(width * values.T)
            for (column, width), values in zip(SENSOR_NOISE.items(), drawn, strict=True)
        }

    def _niche_c(
        self, unit: UnitPhysics, site: int, day: int, known: dict[tuple[float, ...], FloatArray]
    ) -> FloatArray:
        """Return the air around a cabinet: of the place, with what sun and engine add, after a lag."""
        parked_k = unit.in_sun_k if unit.parked_sun_k is None else unit.parked_sun_k
        key = (site, unit.in_sun_k, parked_k, unit.engine_k, unit.cabin_lag_min)
        if key not in known:
            place = self._places[site]
            added = self._added_k(place.day(day), unit, parked_k)
            if unit.cabin_lag_min > 0.0:
                lag_s = 60.0 * unit.cabin_lag_min
                past = min(int(LAG_REACH * lag_s / STEP_S), STEPS_A_DAY)
                before = self._added_k(place.day(day - 1), unit, parked_k)[STEPS_A_DAY - past :]
                added = lagged(np.concatenate([before, added]), lag_s=lag_s, step_s=STEP_S)[past:]
            known[key] = place.day(day).air_c + added
        return known[key]

    def _added_k(self, here: PlaceDay, unit: UnitPhysics, parked_k: float) -> FloatArray:
        in_sun_k = parked_k + (unit.in_sun_k - parked_k) * here.engine
        added: FloatArray = in_sun_k * here.sun_w_per_m2 / FULL_SUN_W_PER_M2 + unit.engine_k * here.engine
        return added

    def _lid(self, index: int, unit: UnitPhysics, day: int) -> tuple[FloatArray, FloatArray]:
        """Return the share of each step a lid stands open, and the heat it lets in."""
        place, seat = self._places[self._site[index]], self._scenario.number("unit", index)
        ahead_h = place.ahead_h(day)
        spans = []
        for shift in (-1, 0, 1):
            draw = generator_of(self._scenario.seed, _UNIT, seat, day + shift)
            for meal_h in unit.meals_h:
                for _ in range(int(draw.integers(unit.openings[0], unit.openings[1] + 1))):
                    start_h = meal_h + draw.uniform(-0.5, 0.75) - ahead_h + 24 * shift
                    spans.append((start_h, start_h + draw.uniform(*unit.opening_s) / 3600.0))
        opened = covered(spans)
        lid = unit.opening_w_per_k * opened
        for event in unit.event:
            if event.kind == "lid_ajar":
                start_ms = event_start_ms(event, anchor_ms=self._anchor_ms, zone=place.zone)
                start_h = (start_ms - day * DAY_MS) / HOUR_MS
                lid = np.maximum(lid, event.lid_w_per_k * covered([(start_h, start_h + event.lasts_h)]))
        return opened, lid

    def _charging(self, day: int, places: list[PlaceDay]) -> Charging:
        sites = self._site_of_bank

        def each(name: str) -> FloatArray:
            return np.stack([getattr(place, name) for place in places], axis=1)[:, sites]

        sun = np.zeros((STEPS_A_DAY, sites.size))
        for i, (_, bank) in enumerate(self._scenario.banks):
            if bank.panel_wp > 0.0:
                place = self._places[sites[i]]
                unpacked = 1.0 - places[sites[i]].road
                sun[:, i] = place.on_panel(day, tilt_deg=bank.panel_tilt_deg) * unpacked
        in_sun_k = np.array([bank.in_sun_k for _, bank in self._scenario.banks])
        return Charging(
            sun_w_per_m2=sun,
            engine=each("engine"),
            mains=each("mains"),
            generator=each("generator"),
            bank_c=each("air_c") + in_sun_k * each("sun_w_per_m2") / FULL_SUN_W_PER_M2,
        )

    def _fed(self, places: list[PlaceDay]) -> npt.NDArray[np.bool_]:
        """Return whether each unit's supply is there; a generator without a schedule always is."""
        fed = np.ones((STEPS_A_DAY, self._site.size), dtype=bool)
        for i, (unit, _) in enumerate(self._scenario.units):
            here = places[self._site[i]]
            if unit.supply.kind == "mains":
                fed[:, i] = here.supplied
            elif unit.supply.kind == "generator":
                scheduled = bool(self._places[self._site[i]].weather.generator)
                fed[:, i] = (here.generator > 0.0) if scheduled else here.supplied
        return fed
