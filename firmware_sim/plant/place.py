"""One place of a scenario: its weather and its schedules, one UTC day at a time.

Any day can be asked for in any order: each draws from a generator seeded by scenario, place and day.
"""

from dataclasses import dataclass
from functools import lru_cache, partial
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from firmware_sim.plant.air import saturated_kg_per_kg
from firmware_sim.plant.replay import HourlyYear, read_hourly
from firmware_sim.plant.sun import Sky, Sun, clear_sky, daylight_h, on_tilted, sun_at, turbidity_of
from firmware_sim.plant.weather import air_c, parton_logan_c, season_share, sun_share, wave_share
from firmware_sim.scenarios.load import Scenario
from firmware_sim.scenarios.model import STEP_S, Moment
from firmware_sim.scenarios.moments import begins_ms, offset_h
from services.telemetry import FloatArray
from services.timebase import DAY_MS, HOUR_MS, SECOND_MS, datetime_of

STEPS_A_DAY = DAY_MS // (STEP_S * SECOND_MS)

STEP_H = STEP_S / 3600.0

SITE = 1
"""Salt that keeps the generators of sites apart from others."""

FULL_SUN_W_PER_M2 = 1000.0

RAGGED_SHARE = 0.5
"""How far clouds come and go within a day, over their mean. [1] Judgement."""

FEBRUARY, LAST_OF_FEBRUARY = 2, 28

THICKEST_CLOUD = 0.9
"""Most of the sun that clouds take. [1] Judgement."""


@dataclass(frozen=True)
class PlaceDay:
    """One UTC day of a place, a value for each step."""

    air_c: FloatArray
    sun_w_per_m2: FloatArray
    """On level ground. [W/m²]"""
    clear_share: FloatArray
    """What clouds leave. [1]"""
    vapour_kg_per_kg: FloatArray
    """Water over dry air. [kg/kg]"""
    engine: FloatArray
    """Share of the step it runs. [1]"""
    mains: FloatArray
    """Share of the step a charger on mains runs. [1]"""
    generator: FloatArray
    """Share of the step it runs. [1]"""
    road: FloatArray
    """Share of the step the place is on the move. [1]"""
    supplied: npt.NDArray[np.bool_]
    """Whether mains are there for what they feed."""


def generator_of(seed: int, salt: int, subject: int, day: int) -> np.random.Generator:
    """Return the source of chance of one subject on one day."""
    return np.random.default_rng((seed, salt, subject, day + 1_000_000))


@lru_cache(maxsize=32)
def _sky(
    day: int, latitude_deg: float, longitude_deg: float, altitude_m: float, haze: float
) -> tuple[Sun, Sky]:
    """Return sun and clear sky of a day; many sites of a repeated fleet stand at one place."""
    t_s = day * 86_400.0 + STEP_S * (np.arange(STEPS_A_DAY, dtype=np.float64) + 0.5)
    sun = sun_at(t_s, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    year_day = datetime_of(day * DAY_MS).timetuple().tm_yday
    return sun, clear_sky(sun.cos_zenith, day_of_year=year_day, altitude_m=altitude_m, turbidity=haze)


def covered(spans_h: list[tuple[float, float]]) -> FloatArray:
    """Return the share of each step of a UTC day that spans (hours of that day) cover."""
    edge_h = np.arange(STEPS_A_DAY + 1) * STEP_H
    share = np.zeros(STEPS_A_DAY)
    for start_h, end_h in spans_h:
        low, high = np.searchsorted(edge_h, [start_h, end_h])
        low, high = max(int(low) - 1, 0), min(int(high), STEPS_A_DAY)
        if low >= high:
            continue
        part = np.minimum(edge_h[low + 1 : high + 1], end_h) - np.maximum(edge_h[low:high], start_h)
        share[low:high] += np.maximum(part, 0.0) / STEP_H
    return np.round(np.minimum(share, 1.0), 9).astype(np.float64)


class Place:
    """Weather and schedules of one site."""

    def __init__(self, scenario: Scenario, index: int, *, anchor_ms: int) -> None:
        site, self.weather = scenario.sites[index]
        self.zone = ZoneInfo(site.timezone)
        self._seed, self._anchor_ms = scenario.seed, anchor_ms
        self._index = scenario.number("site", index)
        self._year = self._read(scenario)
        self._days: dict[int, PlaceDay] = {}

    def _read(self, scenario: Scenario) -> HourlyYear | None:
        weather = self.weather
        if weather.hourly_file is None:
            return None
        setting = f"{scenario.path.name}: site {weather.id}.hourly_file"
        return read_hourly(scenario.path.parent / weather.hourly_file, setting=setting)

    def day(self, day: int) -> PlaceDay:
        """Return a day, counted from 1970-01-01 UTC; the last three are kept."""
        if day not in self._days:
            self._days = {k: v for k, v in self._days.items() if abs(k - day) <= 1}
            self._days[day] = self._made(day)
        return self._days[day]

    def ahead_h(self, day: int) -> float:
        """Return how far local clocks are ahead of UTC at noon."""
        return offset_h(self.zone, day * DAY_MS + DAY_MS // 2)

    def _draw(self, purpose: int, local_day: int) -> np.random.Generator:
        return generator_of(self._seed, SITE, purpose + self._index, local_day)

    def _spans_h(
        self, moments: tuple[Moment, ...], lasts_h: list[float], day: int
    ) -> list[tuple[float, float]]:
        starts_ms = [begins_ms(moment, anchor_ms=self._anchor_ms, zone=self.zone) for moment in moments]
        starts_h = [(start_ms - day * DAY_MS) / HOUR_MS for start_ms in starts_ms]
        return [(start_h, start_h + length_h) for start_h, length_h in zip(starts_h, lasts_h, strict=True)]

    def _windows(self, day: int, windows: tuple[tuple[float, float], ...], purpose: int) -> FloatArray:
        """Return daily local windows as shares of steps, each end moved by up to 20 min."""
        ahead_h = self.ahead_h(day)
        spans = []
        for shift in (-1, 0, 1):
            draw = self._draw(purpose, day + shift)
            for start_h, end_h in windows:
                early, late = draw.uniform(-0.33, 0.33, size=2)
                spans.append((start_h + early - ahead_h + 24 * shift, end_h + late - ahead_h + 24 * shift))
        return covered(spans)

    def _made(self, day: int) -> PlaceDay:
        weather = self.weather
        hour = STEP_H * np.arange(STEPS_A_DAY, dtype=np.float64) + self.ahead_h(day)
        if self._year is None:
            air, sun, clear, vapour = self._own(day, hour)
        else:
            air, sun, clear, vapour = self._played(self._year, day, hour)
        road = covered(self._spans_h(weather.move, [move.lasts_h for move in weather.move], day))
        out = covered(self._spans_h(weather.supply_out, [spell.lasts_h for spell in weather.supply_out], day))
        parked = (1.0 - road) * (1.0 - out)
        return PlaceDay(
            air_c=air,
            sun_w_per_m2=sun,
            clear_share=clear,
            vapour_kg_per_kg=vapour,
            engine=np.maximum(self._windows(day, weather.drives, 1000), road),
            mains=self._windows(day, weather.mains, 1000) * parked,
            generator=self._windows(day, weather.generator, 3000) * parked,
            road=road,
            supplied=out < 0.5,  # noqa: PLR2004 - half a step
        )

    def _own(self, day: int, hour: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Return air, sun, share that clouds leave and moisture of a made-up day."""
        local = np.floor(hour / 24.0).astype(int)
        air, sun, clear = (np.empty(STEPS_A_DAY) for _ in range(3))
        for shift in np.unique(local):
            chosen = local == shift
            at_h = hour[chosen] - 24.0 * shift
            local_day = day + int(shift)
            air[chosen] = self._air_c(local_day, at_h)
            clear[chosen] = self._clear_share(local_day, at_h)
            if self.weather.latitude_deg is None:
                rise_h, set_h = self.weather.sunrise_h, self.weather.sunset_h
                sun[chosen] = FULL_SUN_W_PER_M2 * sun_share(at_h, sunrise_h=rise_h, sunset_h=set_h)
        if self.weather.latitude_deg is not None:
            sun = self.sky(day)[1].flat
        dew_c = np.minimum(self.weather.dew_point_c, air)
        return air, sun * clear, clear, saturated_kg_per_kg(dew_c)

    def _played(
        self, year: HourlyYear, day: int, hour: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Return the same of a day of the replayed year, whose every day has 24 hours and no 29 February."""
        today = datetime_of(day * DAY_MS)
        leap_day = today.month == FEBRUARY and today.day > LAST_OF_FEBRUARY
        common = today.replace(year=2001, day=LAST_OF_FEBRUARY if leap_day else today.day)
        first_h = 24.0 * (common.timetuple().tm_yday - 1 + self.weather.hourly_shift_days)
        air, humidity, sun = year.played(first_h + hour)
        air = air + np.interp(hour, (0.0, 24.0), (self._wave_k(day), self._wave_k(day + 1)))
        return air, sun, np.ones(STEPS_A_DAY), humidity * saturated_kg_per_kg(air)

    def sky(self, day: int) -> tuple[Sun, Sky]:
        """Return where the sun stands and the clear sky of a UTC day; only for places with a latitude."""
        weather = self.weather
        if weather.latitude_deg is None:
            raise ValueError(f"{weather.id} has no latitude")
        spot = {"latitude_deg": weather.latitude_deg, "longitude_deg": weather.longitude_deg}
        haze = weather.linke_turbidity if weather.linke_turbidity is not None else turbidity_of(day, **spot)
        return _sky(day, weather.latitude_deg, weather.longitude_deg, weather.altitude_m, haze)

    def on_panel(self, day: int, *, tilt_deg: float) -> FloatArray:
        """Return the sun on a panel. [W/m²]."""
        here = self.day(day)
        if tilt_deg <= 0.0 or self.weather.latitude_deg is None or self._year is not None:
            return here.sun_w_per_m2
        sun, sky = self.sky(day)
        return here.clear_share * on_tilted(
            sky, sun, tilt_deg=tilt_deg, latitude_deg=self.weather.latitude_deg
        )

    def _daylight_h(self, local_day: int) -> tuple[float, float]:
        weather = self.weather
        if weather.latitude_deg is None:
            return weather.sunrise_h, weather.sunset_h
        rise_h, set_h = daylight_h(
            local_day, latitude_deg=weather.latitude_deg, longitude_deg=weather.longitude_deg
        )
        ahead_h = self.ahead_h(local_day)
        return rise_h + ahead_h, set_h + ahead_h

    def _wave_k(self, local_day: int) -> float:
        noon_h = 24.0 * local_day + 12.0 - self.ahead_h(local_day)
        waves = self.weather.heat_wave
        spans = self._spans_h(waves, [wave.lasts_h for wave in waves], 0)
        return sum(
            wave.rise_k * wave_share(noon_h, start_h=start_h, end_h=end_h)
            for wave, (start_h, end_h) in zip(waves, spans, strict=True)
        )

    def _season_k(self, local_day: int) -> float:
        weather = self.weather
        if weather.season_k <= 0.0:
            return 0.0
        southern = weather.latitude_deg is not None and weather.latitude_deg < 0.0
        warmest = weather.warmest_month if weather.warmest_month is not None else (1 if southern else 7)
        year_day = datetime_of(local_day * DAY_MS).timetuple().tm_yday
        return weather.season_k * season_share(year_day, warmest_month=warmest)

    def _extremes_c(self, local_day: int) -> tuple[float, float]:
        weather = self.weather
        low, high = self._draw(0, local_day).normal(size=2)
        warmer_k = self._season_k(local_day) + self._wave_k(local_day)
        return (
            weather.night_c + warmer_k + weather.spread_k * float(np.clip(low, -2, 2)),
            weather.day_c + warmer_k + weather.spread_k * float(np.clip(high, -2, 2)),
        )

    def _air_c(self, local_day: int, hour: FloatArray) -> FloatArray:
        before_minimum, before = self._extremes_c(local_day - 1)
        minimum, maximum = self._extremes_c(local_day)
        after_minimum, _ = self._extremes_c(local_day + 1)
        rise_h, set_h = self._daylight_h(local_day)
        curve = partial(
            parton_logan_c if self.weather.curve == "parton_logan" else air_c,
            hour,
            minimum_c=minimum,
            maximum_c=maximum,
            before_c=before,
            before_minimum_c=before_minimum,
            sunrise_h=rise_h,
            sunset_h=set_h,
        )
        return curve() if self.weather.curve == "parton_logan" else curve(after_minimum_c=after_minimum)

    def _clear_share(self, local_day: int, hour: FloatArray) -> FloatArray:
        """Return what clouds leave: a mean for the day, and with a latitude cloud by cloud around it."""
        draw = self._draw(2000, local_day)
        cloud = draw.uniform(0, self.weather.cloud_share)
        if self.weather.latitude_deg is None:
            return np.full(hour.size, 1.0 - cloud)
        ragged = RAGGED_SHARE * cloud * draw.normal(size=24 * 4 + 1)
        clouds = cloud + np.interp(hour, np.arange(24 * 4 + 1) / 4.0, ragged)
        clear: FloatArray = 1.0 - np.clip(clouds, 0.0, THICKEST_CLOUD)
        return clear
