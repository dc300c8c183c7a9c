import numpy as np
import pytest

from services.analytics.power.assess import power
from services.analytics.power.charging import charging_at
from services.analytics.power.curves import curve_of
from services.analytics.power.drop import Drop, loaded_v
from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.track import Rests
from services.analytics.power.underload import APART_MS, LOADED_SD, read_under_load
from services.telemetry import Series
from services.timebase import HOUR_MS, ms_of_iso
from tests.helpers.made_supply import Story, settings_for

BEGUN_MS = ms_of_iso("2026-03-01T06:00:00Z")
DROP = Drop(0.06, 1.25)
NO_RESTS = Rests(np.empty(0, np.int64), np.empty(0), np.empty(0), np.empty(0, np.bool_))


def never_resting(soc, *, hours, settings, volts=None):
    """Return the log of a cabinet whose machine never stops while the battery empties evenly."""
    t_ms = BEGUN_MS + np.arange(0, hours * HOUR_MS, 60_000, dtype=np.int64)
    along = np.linspace(*soc, t_ms.size)
    shown = loaded_v(along, settings, DROP, unit_a=settings.running_a) if volts is None else volts
    columns = {"compressor_on": np.ones(t_ms.size), "battery_v": shown, "cabinet_c": np.full(t_ms.size, 9.0)}
    return Series(t_ms, columns), along


def read(series, settings, rests=NO_RESTS):
    frame = frame_of(series, settings, None)
    charging = charging_at(frame, curve_of(settings)[0])
    return read_under_load(frame, runs_of(frame), settings, charging=charging, drop=DROP, rests=rests)


@pytest.mark.parametrize("chemistry", ["flooded", "agm", "gel"])
def test_a_machine_that_never_stops_has_its_charge_read_four_times_a_day(chemistry):
    settings = settings_for(Story(chemistry=chemistry))
    series, along = never_resting((0.8, 0.3), hours=24, settings=settings)
    found = read(series, settings)
    assert 4 <= found.at.size <= 5
    assert found.soc == pytest.approx(along[found.at], abs=0.01)
    assert set(found.sd) == {LOADED_SD}
    assert not found.flat.any()


def test_where_rests_are_read_nothing_is_read_under_load():
    settings = settings_for(Story())
    series, _ = never_resting((0.8, 0.7), hours=12, settings=settings)
    at = np.arange(0, 12 * 60, 60, dtype=np.int64)
    rests = Rests(at, np.full(at.size, 0.7), np.full(at.size, 0.08), np.zeros(at.size, np.bool_))
    found = read(series, settings, rests)
    assert np.array_equal(found.at, rests.at)
    late = Rests(at[:1], rests.soc[:1], rests.sd[:1], rests.flat[:1])
    mixed = read(series, settings, late)
    assert np.array_equal(mixed.sd == LOADED_SD, series.t_ms[mixed.at] > series.t_ms[0] + APART_MS)


def test_the_flat_part_of_lithium_tells_nothing_under_load():
    settings = settings_for(Story(chemistry="lifepo4"))
    assert read(never_resting((0.9, 0.4), hours=24, settings=settings)[0], settings).at.size == 0
    low, along = never_resting((0.15, 0.02), hours=24, settings=settings)
    found = read(low, settings)
    assert found.soc == pytest.approx(along[found.at], abs=0.01)


def test_an_unknown_current_is_not_read():
    settings = settings_for(Story())
    machine = settings.unit.compressor.model_copy(update={"variable_speed": True})
    unit = settings.unit.model_copy(update={"compressor": machine})
    unknown = settings.model_copy(update={"unit": unit})
    assert read(never_resting((0.8, 0.3), hours=24, settings=unknown)[0], unknown).at.size == 0


def charge_after(hours, *, label_ah):
    settings = settings_for(Story(capacity_ah=label_ah))
    series, _ = never_resting((0.9, 0.42), hours=hours, settings=settings)
    result = power(series, settings, as_of_ms=int(series.t_ms[-1]), food_limit_c=5.0)
    return result.battery.state_of_charge


def test_a_cabinet_that_never_rests_is_within_its_range_though_counted_too_fast():
    """63 Ah are counted where the voltage fell by 48 % of 100 Ah."""
    charge = charge_after(15, label_ah=100.0)
    assert charge.p10 < 0.42 < charge.p90


def test_a_count_far_too_fast_no_longer_ends_at_nothing():
    """185 Ah are counted of the same 100: it stays too low, but nobody is told of an empty battery."""
    charge = charge_after(44, label_ah=100.0)
    assert charge.p50 > 0.15
    assert charge.p90 > 0.35
