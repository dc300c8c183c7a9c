"""Everything that acts on the cabinets from outside, one UTC day at a time, the same for every run.

Any day can be asked for in any order: each draws from a generator seeded by scenario, subject and day.
"""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from firmware_sim.plant.electrics import Inputs
from firmware_sim.plant.weather import air_c, sun_share
from firmware_sim.scenarios.load import Scenario
from firmware_sim.scenarios.model import STEP_S, Event, SiteWeather, UnitPhysics
from services.telemetry import FloatArray
from services.timebase import DAY_MS, HOUR_MS, SECOND_MS, datetime_of

STEPS_A_DAY = DAY_MS // (STEP_S * SECOND_MS)

_SITE, _UNIT, _NOISE = 1, 2, 3
"""Salts that keep the generators of sites, units and sensors apart."""

PANEL_YIELD = 0.75
"""Dust, wiring and controller. [1] Judgement, no source."""

PANEL_V = 13.5
"""Voltage at which a 12 V panel's current is counted. [V]"""

SENSOR_NOISE = {
    "cabinet_c": 0.05,
    "ambient_c": 0.15,
    "product_c": 0.04,
    "battery_v": 0.005,
    "current_a": 0.03,
}
"""Standard deviation of each sensor, in its unit. Judgement, no source."""


@dataclass(frozen=True)
class Forcing:
    """One UTC day of outside influences, a row for each step."""

    outside_c: FloatArray
    """(steps, units) air around each cabinet. [°C]"""
    lid_w_per_k: FloatArray
    """(steps, units) heat let in by open lids, mean over the step. [W/K]"""
    source_a: FloatArray
    """(steps, banks) current that chargers offer. [A]"""
    noise: dict[str, FloatArray]
    """(steps, units) by column, in the unit of the column."""

    def inputs(self, row: int) -> Inputs:
        """Return what acts on the banks in one step."""
        return Inputs(source_a=self.source_a[row])


def _generator(seed: int, salt: int, subject: int, day: int) -> np.random.Generator:
    return np.random.default_rng((seed, salt, subject, day + 1_000_000))


def _offset_h(zone: ZoneInfo, day: int) -> float:
    noon = datetime_of(day * DAY_MS + DAY_MS // 2).astimezone(zone)
    offset = noon.utcoffset()
    return 0.0 if offset is None else offset.total_seconds() / 3600.0


def _cover(spans_h: list[tuple[float, float]]) -> FloatArray:
    """Return the share of each step of a UTC day that spans (hours of that day) cover."""
    edge_h = np.arange(STEPS_A_DAY + 1) * (STEP_S / 3600.0)
    share = np.zeros(STEPS_A_DAY)
    for start_h, end_h in spans_h:
        low, high = np.searchsorted(edge_h, [start_h, end_h])
        low, high = max(int(low) - 1, 0), min(int(high), STEPS_A_DAY)
        if low >= high:
            continue
        part = np.minimum(edge_h[low + 1 : high + 1], end_h) - np.maximum(edge_h[low:high], start_h)
        share[low:high] += np.maximum(part, 0.0) / (STEP_S / 3600.0)
    return np.minimum(share, 1.0)


def event_start_ms(event: Event, *, anchor_ms: int, zone: ZoneInfo) -> int:
    """Return when an event begins, for a history that meets the present at `anchor_ms`."""
    latest_ms = anchor_ms - round(event.before_h * HOUR_MS)
    if event.at_h is None:
        return latest_ms
    local_h = latest_ms / HOUR_MS + _offset_h(zone, latest_ms // DAY_MS)
    return latest_ms - round((local_h - event.at_h) % 24.0 * HOUR_MS)


class Outside:
    """The outside world of a scenario; `anchor_ms` is where its history meets the present."""

    def __init__(self, scenario: Scenario, *, anchor_ms: int) -> None:
        self._scenario = scenario
        self._anchor_ms = anchor_ms
        self._zones = [ZoneInfo(site.timezone) for site, _ in scenario.sites]
        self._site_of = {site.id: i for i, (site, _) in enumerate(scenario.sites)}
        self._site_of_bank = self._banks_to_sites()
        self._days: dict[int, Forcing] = {}

    def _banks_to_sites(self) -> list[int]:
        found: dict[str, int] = {}
        for unit, _ in self._scenario.units:
            if unit.supply.bank is not None:
                found.setdefault(unit.supply.bank, self._site_of[unit.site])
        return [found.get(bank.id, 0) for bank, _ in self._scenario.banks]

    def day(self, day: int) -> Forcing:
        """Return a day, counted from 1970-01-01 UTC; the last two are kept."""
        if day not in self._days:
            self._days = {k: v for k, v in self._days.items() if k == day - 1}
            self._days[day] = self._made(day)
        return self._days[day]

    def _extremes_c(self, site: int, local_day: int) -> tuple[float, float]:
        weather = self._scenario.sites[site][1]
        low, high = _generator(self._scenario.seed, _SITE, site, local_day).normal(size=2)
        return (
            weather.night_c + weather.spread_k * float(np.clip(low, -2, 2)),
            weather.day_c + weather.spread_k * float(np.clip(high, -2, 2)),
        )

    def _windows(
        self, site: int, day: int, windows: tuple[tuple[float, float], ...]
    ) -> list[tuple[float, float]]:
        """Return daily local windows as hours of a UTC day, each end moved by up to 20 min."""
        offset_h = _offset_h(self._zones[site], day)
        spans = []
        for shift in (-1, 0, 1):
            draw = _generator(self._scenario.seed, _SITE, 1000 + site, day + shift)
            for start_h, end_h in windows:
                early, late = draw.uniform(-0.33, 0.33, size=2)
                spans.append((start_h + early - offset_h + 24 * shift, end_h + late - offset_h + 24 * shift))
        return spans

    def _site_day(self, site: int, day: int) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Return air [°C], sun on panels [1], engine running [1] and charger on mains [1]."""
        weather = self._scenario.sites[site][1]
        hour = np.arange(STEPS_A_DAY) * (STEP_S / 3600.0) + _offset_h(self._zones[site], day)
        local = np.floor(hour / 24.0).astype(int)
        air, sun = np.empty(STEPS_A_DAY), np.empty(STEPS_A_DAY)
        for shift in np.unique(local):
            chosen = local == shift
            at_h = hour[chosen] - 24.0 * shift
            air[chosen], sun[chosen] = self._local_day(site, weather, day + int(shift), at_h)
        engine = _cover(self._windows(site, day, weather.drives))
        mains = _cover(self._windows(site, day, weather.mains))
        return air, sun, engine, mains

    def _local_day(
        self, site: int, weather: SiteWeather, local_day: int, hour: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        before_minimum, before = self._extremes_c(site, local_day - 1)
        minimum, maximum = self._extremes_c(site, local_day)
        after_minimum, _ = self._extremes_c(site, local_day + 1)
        air = air_c(
            hour,
            minimum_c=minimum,
            maximum_c=maximum,
            before_c=before,
            before_minimum_c=before_minimum,
            after_minimum_c=after_minimum,
            sunrise_h=weather.sunrise_h,
            sunset_h=weather.sunset_h,
        )
        cloud = _generator(self._scenario.seed, _SITE, 2000 + site, local_day).uniform(0, weather.cloud_share)
        sun = sun_share(hour, sunrise_h=weather.sunrise_h, sunset_h=weather.sunset_h) * (1.0 - cloud)
        return air, sun

    def _lid(self, index: int, unit: UnitPhysics, site: int, day: int) -> FloatArray:
        offset_h = _offset_h(self._zones[site], day)
        spans = []
        for shift in (-1, 0, 1):
            draw = _generator(self._scenario.seed, _UNIT, index, day + shift)
            for meal_h in unit.meals_h:
                for _ in range(int(draw.integers(unit.openings[0], unit.openings[1] + 1))):
                    start_h = meal_h + draw.uniform(-0.5, 0.75) - offset_h + 24 * shift
                    spans.append((start_h, start_h + draw.uniform(*unit.opening_s) / 3600.0))
        lid = unit.opening_w_per_k * _cover(spans)
        for event in unit.event:
            if event.kind == "lid_ajar":
                start_ms = event_start_ms(event, anchor_ms=self._anchor_ms, zone=self._zones[site])
                start_h = (start_ms - day * DAY_MS) / HOUR_MS
                lid = np.maximum(lid, event.lid_w_per_k * _cover([(start_h, start_h + event.lasts_h)]))
        return lid

    def _made(self, day: int) -> Forcing:
        scenario = self._scenario
        sites = [self._site_day(i, day) for i in range(len(scenario.sites))]
        units = len(scenario.units)
        outside, lid = np.empty((STEPS_A_DAY, units)), np.empty((STEPS_A_DAY, units))
        for i, (unit, physics) in enumerate(scenario.units):
            site = self._site_of[unit.site]
            air, sun, engine, _ = sites[site]
            outside[:, i] = air + physics.in_sun_k * sun + physics.engine_k * engine
            lid[:, i] = self._lid(i, physics, site, day)
        source = np.zeros((STEPS_A_DAY, len(scenario.banks)))
        for i, (bank, charging) in enumerate(scenario.banks):
            _, sun, engine, mains = sites[self._site_of_bank[i]]
            panel_a = charging.panel_wp * PANEL_YIELD / (PANEL_V * bank.nominal_v / 12)
            source[:, i] = sun * panel_a + engine * charging.drive_a + mains * charging.mains_a
        noise = {
            column: width * _generator(scenario.seed, _NOISE, k, day).normal(size=(STEPS_A_DAY, units))
            for k, (column, width) in enumerate(SENSOR_NOISE.items())
        }
        return Forcing(outside, lid, source, noise)
