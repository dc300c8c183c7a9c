"""The trip laid out in steps: what is done, how the sun stands, how warm an ordinary day's shade is."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from zoneinfo import ZoneInfo

import numpy as np

from services.analytics.planning import sky
from services.analytics.power.sunshine import clear_sky_w_per_m2
from services.domain.trip import Spell, Trip
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, datetime_of

STEP_MS = 10 * MINUTE_MS
STEPS_PER_HOUR = HOUR_MS // STEP_MS
DUSK_HOUR = 18.0
"""By the sun; extra driving is planned to end here: driving at night is forbidden in most parks."""
EVENING_HOUR = 21.0
"""Extra charging from mains or a generator is planned to end here."""


@dataclass(frozen=True)
class Scene:
    """Arrays of (n,), one row a step; a whole number of hours."""

    t_ms: IntArray
    """Start of each step."""
    day: IntArray
    """Counted from 0, by the local date."""
    sun_hour: FloatArray
    shade_c: FloatArray
    """Of an ordinary day."""
    height: FloatArray
    """Cosine of the sun's distance from the zenith."""
    clear_w_per_m2: FloatArray
    driving: FloatArray
    plugged: FloatArray
    """1 where a charger is fed from mains or generator."""
    generator: FloatArray
    stop_sun_k: FloatArray
    offset_ms: int
    """Local clock less UTC, as at the start."""

    @property
    def hours(self) -> int:
        """Whole hours."""
        return self.t_ms.size // STEPS_PER_HOUR

    def step_of(self, t_ms: int) -> int:
        """Return the step a moment lies in."""
        return int((t_ms - int(self.t_ms[0])) // STEP_MS)

    def local_ms(self, day: int, hour_ms: int) -> int:
        """Return the UTC ms of a local time of a day (counted from 1)."""
        midnight = int(self.t_ms[0]) + self.offset_ms
        midnight -= midnight % DAY_MS
        return midnight + (day - 1) * DAY_MS + hour_ms - self.offset_ms


def scene_of(trip: Trip) -> Scene:
    """Return a trip in steps of ten minutes from its start to noon after the last night."""
    start_ms = trip.starts_ms - trip.starts_ms % STEP_MS
    hours = max(1, math.ceil((trip.ends_ms - start_ms) / HOUR_MS))
    t_ms = start_ms + STEP_MS * np.arange(hours * STEPS_PER_HOUR, dtype=np.int64)
    offset = datetime_of(start_ms).astimezone(ZoneInfo(trip.trip.timezone)).utcoffset() or timedelta()
    offset_ms = round(offset.total_seconds() * 1000)
    local = t_ms + offset_ms
    day = (local // DAY_MS - local[0] // DAY_MS).astype(np.int64)
    middle = t_ms + STEP_MS // 2
    place = place_of(trip, offset_ms)
    sun_hour = sky.solar_hour(middle, place)
    height = sky.sun_height_share(middle, place)
    stops = trip.stops
    return Scene(
        t_ms=t_ms,
        day=day,
        sun_hour=sun_hour,
        shade_c=sky.air_c(
            sun_hour,
            night_c=trip.weather.night_c,
            day_c=trip.weather.day_c,
            length_h=sky.day_length_h(start_ms, place),
        ),
        height=height,
        clear_w_per_m2=_clear_sky(middle, place),
        driving=_during(trip.drives, day, local),
        plugged=_during([s for s in stops if s.supply != "none"], day, local),
        generator=_during([s for s in stops if s.supply == "generator"], day, local),
        stop_sun_k=_hotter(trip, day, local),
        offset_ms=offset_ms,
    )


def _clear_sky(t_ms: IntArray, place: sky.Place) -> FloatArray:
    """Return the sun on a level panel under a clear sky; none where nobody knows the latitude [W/m²]."""
    if place.latitude_deg is None:
        return np.zeros(t_ms.size)
    return clear_sky_w_per_m2(t_ms, latitude_deg=place.latitude_deg, longitude_deg=place.longitude_deg)


def place_of(trip: Trip, offset_ms: int) -> sky.Place:
    """Return where the trip leads; without a longitude the middle of its time zone."""
    longitude = trip.trip.longitude_deg
    if longitude is None:
        longitude = 15.0 * offset_ms / HOUR_MS
    return sky.Place(trip.trip.latitude_deg, longitude)


def _during(spells: Sequence[Spell], day: IntArray, local_ms: IntArray) -> FloatArray:
    """Return 1 in steps that lie in one of the spells; a spell may run past midnight."""
    found = np.zeros(day.size, dtype=np.bool_)
    into = local_ms % DAY_MS
    for spell in spells:
        begin = (spell.at.hour * 60 + spell.at.minute) * MINUTE_MS
        end = begin + round(spell.lasts_h * HOUR_MS)
        on = np.array([spell.on(d + 1) for d in range(-1, int(day[-1]) + 1)])
        found |= on[day + 1] & (into >= begin) & (into < end)
        found |= on[day] & (into + DAY_MS >= begin) & (into + DAY_MS < end)
    return np.asarray(found, dtype=np.float64)


def _hotter(trip: Trip, day: IntArray, local_ms: IntArray) -> FloatArray:
    """Return how much hotter than the shade each step's stop is at full sun [K]."""
    found = np.zeros(day.size)
    for stop in trip.stops:
        found = np.maximum(found, stop.sun_k * _during([stop], day, local_ms))
    return found


def extra(scene: Scene, taken: FloatArray, *, minutes: float, until_hour: float) -> FloatArray:
    """Return 1 in so many minutes of every day that end at an hour by the sun and are not taken already."""
    chosen = np.zeros(scene.t_ms.size)
    wanted = round(minutes * MINUTE_MS / STEP_MS)
    for day in range(int(scene.day[-1]) + 1):
        free = np.flatnonzero(
            (scene.day == day) & (taken == 0) & (scene.sun_hour < until_hour) & (scene.sun_hour > 6.0)  # noqa: PLR2004 - after sunrise
        )
        chosen[free[max(0, free.size - wanted) :] if wanted else []] = 1.0
    return chosen
