"""Lives of batches and the air around them, made by hand for tests."""

import numpy as np

from services.analytics.food.batchair import air_of
from services.domain import BatchEvent, Life, Site, Unit, UnitSettings, lived
from services.telemetry import Series

NOON_MS = 1_780_315_200_000
MINUTE = 60_000


def event(number, minute, kind, **body):
    """Return something that was said, at a minute after noon."""
    t_ms = NOON_MS + round(minute * MINUTE)
    return BatchEvent(id=number, batch=1, t=t_ms, said=t_ms, who="Asha", kind=kind, body=body)


def life(*told, what="Stew", food_class="cooked", unit="box-a", frozen=False, start=0.0, **more) -> Life:
    """Return the life of a batch: (minute, kind, body) after it was put in."""
    body = {"what": what, "food_class": food_class, "unit": unit, "frozen": frozen, **more}
    events = [event(1, start, "loaded", **body)]
    events += [event(k, minute, kind, **body) for k, (minute, kind, body) in enumerate(told, start=2)]
    return lived(1, events)


def settings(unit="box-a", *, kind="fridge", **more) -> UnitSettings:
    """Return a cabinet in a camp that reports every minute."""
    site = Site(id="river-camp", name="River camp", kind="camp", timezone="Africa/Lusaka")
    rules = more.pop("rules", ("za-r638-2018",))
    described = {"id": unit, "kind": kind, "interval_s": 60, "food": {"rules": rules}, **more}
    return UnitSettings.of(Unit.model_validate(described), site=site)


def series(minutes, cabinet_c, **columns) -> Series:
    """Return samples at minutes after noon."""
    t_ms = NOON_MS + np.round(np.asarray(minutes, dtype=np.float64) * MINUTE).astype(np.int64)
    return Series(t_ms, {"cabinet_c": np.asarray(cabinet_c, dtype=np.float64), **columns})


def air(minutes, cabinet_c, *, of=None, as_of=None, expected=(), checks=()):
    """Return what samples tell of the air around food."""
    found = series(minutes, cabinet_c)
    as_of_ms = int(found.t_ms[-1]) if as_of is None else NOON_MS + as_of * MINUTE
    return air_of(
        found, settings() if of is None else of, as_of_ms=as_of_ms, expected=expected, checks=checks
    )


def wobble(minutes, around):
    """Return readings that are never twice the same, so that no sensor looks stuck."""
    return around + 0.02 * np.sin(np.arange(len(minutes)) * 1.7)


def steady(until, around, **more):
    """Return air that stays as it is, from ten minutes before noon on."""
    minutes = np.arange(-10.0, until + 1)
    return air(minutes, wobble(minutes, around), **more)
