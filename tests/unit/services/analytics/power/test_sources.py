import numpy as np
import pytest

from services.analytics.power.charging import charging_at
from services.analytics.power.curves import curve_of
from services.analytics.power.frame import frame_of
from services.analytics.power.sources import charging_of
from services.domain import Site
from services.telemetry import Series
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.made_supply import Story, settings_for

DAY = 20_400 * DAY_MS
"""A midnight, UTC."""


def site(kind):
    return Site(id="place-1", name="Place 1", kind=kind)


def told(volts, *, kind="vehicle", from_hour=0.0, words=None, chemistry="agm", **supply):
    """Return what is told of a day of given volts, minute by minute."""
    settings = settings_for(Story(chemistry=chemistry), **supply).model_copy(update={"site": site(kind)})
    t_ms = DAY + round(from_hour * HOUR_MS) + np.arange(volts.size, dtype=np.int64) * 60_000
    columns = {"battery_v": np.round(volts, 2), "compressor_on": np.zeros(volts.size)}
    if words is not None:
        columns["supply"] = words
    series = Series(t_ms, columns)
    frame = frame_of(series, settings, None)
    return charging_of(frame, series, settings, charging_at(frame, curve_of(settings)[0]))


def stretch(start_h, end_h, high, *, rest=12.6, hours=24.0):
    minute = np.arange(round(hours * 60))
    inside = (minute >= start_h * 60) & (minute < end_h * 60)
    return np.where(inside, high(minute / 60.0), rest)


def staged(start_h):
    return lambda hour: np.where(hour < start_h + 1.5, 14.4, 13.6)


def climbing(start_h):
    return lambda hour: 13.4 + 0.25 * (hour - start_h)


def sunny(hour):
    return 13.25 + 1.1 * np.sin(np.pi * np.clip((hour - 7.5) / 10.0, 0, 1))


def test_a_step_to_a_flat_absorption_and_down_to_float_is_a_charger_on_the_engine():
    (found,) = told(stretch(6, 10, staged(6)))
    assert (found.source, found.certainty) == ("dc_dc", "probable")
    assert {row.quantity for row in found.evidence} >= {"rise within two minutes", "step down to float"}
    assert found.start == DAY + 6 * HOUR_MS


def test_a_step_to_a_voltage_that_goes_on_climbing_is_the_alternator_itself():
    (found,) = told(stretch(6, 9, climbing(6)))
    assert found.source == "alternator"


def test_a_slow_rise_by_day_is_the_sun():
    (found,) = told(stretch(7.5, 17.4, sunny, rest=13.1), kind="camp")
    assert found.source == "solar"


def test_a_vehicle_that_charges_through_the_night_stands_on_mains():
    (found,) = told(stretch(4, 14, staged(4)), from_hour=16.0)
    assert found.source == "mains"


@pytest.mark.parametrize(("hours", "source"), [(4, "generator"), (9, "mains")])
def test_at_a_camp_a_short_charge_is_the_generator_and_a_long_one_the_mains(hours, source):
    (found,) = told(stretch(8, 8 + hours, staged(8)), kind="camp")
    assert found.source == source


def test_what_the_unit_says_is_certain():
    words = np.array(["battery"] * 360 + ["generator"] * 240 + ["battery"] * 840, dtype=object)
    (found,) = told(stretch(6, 10, staged(6)), words=words)
    assert (found.source, found.certainty) == ("generator", "certain")


def test_lithium_held_after_a_charge_goes_on_with_its_source():
    volts = stretch(6, 7.5, lambda _h: 14.2, rest=13.3)
    volts[7 * 60 + 30 :] = 13.5
    found = told(volts, chemistry="lifepo4")
    assert {row.source for row in found} == {"dc_dc"}


def test_what_is_too_short_is_left_out():
    assert told(stretch(6, 6.2, staged(6))) == ()


def test_a_charge_whose_start_was_not_seen_is_of_unknown_source():
    (found,) = told(stretch(0, 3, staged(0)))
    assert found.source == "unknown"
