import math

import numpy as np
import pytest

from services.analytics.power import ekf
from services.analytics.power.capacity import Capacity, capacity_of
from services.analytics.power.charge import FULL_SOC, charge_state, drawn_ah, load_a
from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.knownbank import Gauge
from services.telemetry import Series
from services.timebase import HOUR_MS
from tests.helpers.made_supply import Story, played, settings_for


def gauge(soc=0.6, *, drain=0.0, cov=None, temperature_share=1.0):
    mean = np.zeros(ekf.SIZE)
    mean[ekf.CHARGE], mean[ekf.DRAIN] = soc, drain
    cov = np.zeros((ekf.SIZE, ekf.SIZE)) if cov is None else cov
    return Gauge(ekf.Estimate(mean, cov), Capacity(80.0, 0.15, None), temperature_share, 100.0)


def followed(story, *, believed_ah=None, series=None):
    settings = settings_for(story)
    series = played(story) if series is None else series
    frame = frame_of(series, settings, None)
    capacity = capacity_of(settings, as_of_ms=int(series.t_ms[-1]))
    if believed_ah is not None:
        capacity = Capacity(believed_ah, capacity.share_sd, None)
    ah = drawn_ah(frame, load_a(frame, settings))
    return charge_state(frame, runs_of(frame), settings, capacity, ah)


def true_soc(story):
    on = played(story).columns["compressor_on"]
    return story.soc - float(np.sum(on[:-1])) * story.running_a / 60 / story.capacity_ah


def test_the_charge_left_is_what_lies_above_the_cut():
    assert gauge(0.6).reserve(0.2)[0] == pytest.approx(80.0 * 0.4)
    assert gauge(0.6, drain=math.log(2.0)).reserve(0.2)[0] == pytest.approx(40.0 * 0.4)


def test_no_battery_holds_more_than_the_cap_over_its_label():
    assert gauge(drain=-1.0).usable_ah == 108.0
    assert gauge(temperature_share=0.7).usable_ah == pytest.approx(56.0)


def test_nothing_lies_below_empty_however_the_table_errs():
    held = gauge(0.5)
    held.estimate.mean[ekf.CURVE] = 0.3
    assert held.margin(0.1) == pytest.approx(0.5)


def test_a_curve_that_reads_high_moves_the_cut_down_too():
    held = gauge(0.5)
    held.estimate.mean[ekf.CURVE :] = 0.1
    assert held.margin(0.3) == pytest.approx(0.3)


def test_charge_and_cut_read_from_the_same_curve_share_its_error():
    cov = np.zeros((ekf.SIZE, ekf.SIZE))
    cov[ekf.CURVE :, ekf.CURVE :] = 0.08**2
    cov[ekf.CHARGE, ekf.CHARGE] = 0.08**2
    apart = gauge(0.6, cov=cov.copy()).reserve(0.3)[1]
    cov[ekf.CHARGE, ekf.CURVE :] = cov[ekf.CURVE :, ekf.CHARGE] = -(0.08**2)
    assert gauge(0.6, cov=cov).reserve(0.3)[1] < 0.5 * apart


def test_deep_discharges_teach_a_smaller_capacity():
    by_day = lambda m: 25.0 if 504 < m % 1440 < 864 else 0.0  # noqa: E731 - one line of a story
    story = Story(days=6, soc=0.95, capacity_ah=70.0, charge_a=by_day)
    believed = followed(story, believed_ah=100.0)
    assert believed.gauge.usable_ah < 93.0
    assert believed.gauge.usable_share_sd < 0.16


@pytest.mark.parametrize("chemistry", ["flooded", "agm", "gel"])
@pytest.mark.parametrize("soc", [0.9, 0.6, 0.4])
def test_the_range_holds_the_truth_after_a_day(chemistry, soc):
    story = Story(days=0.9, soc=soc, chemistry=chemistry, noise_v=0.02)
    found = followed(story)
    assert abs(found.soc - true_soc(story)) < 2.0 * found.soc_sd


def test_lithium_is_not_corrected_on_its_plateau():
    """From full, a voltage lowered by 50 mV all along the plateau changes nothing."""
    story = Story(days=2.5, soc=0.7, chemistry="lifepo4", charge_a=lambda m: 40.0 if m < 700 else 0.0)
    series = played(story)
    lower = series.columns["battery_v"] - np.where(series.t_ms > series.t_ms[900], 0.05, 0.0)
    here = followed(story, series=series)
    there = followed(story, series=Series(series.t_ms, {**series.columns, "battery_v": lower}))
    assert here.full_ms.size == there.full_ms.size == 1
    flat = series.columns["battery_v"][-1]
    assert 12.9 < flat < 13.3
    assert here.soc == there.soc


def test_a_silence_of_hours_widens_the_range():
    story = Story(days=1.2, soc=0.95, heard=lambda m: not 600 < m < 1500)
    way = followed(story).way
    before, after = np.searchsorted(way.t_ms, way.t_ms[0] + np.array([600, 1502]) * 60_000)
    assert np.max(way.soc_sd[before : after + 1]) > way.soc_sd[before] + 0.1


def test_a_charger_alone_tells_nothing_of_the_charge():
    story = Story(days=0.05, charge_a=lambda _m: 12.0)
    assert followed(story).soc is None


def charged_at_the_end(volts, hours):
    """Return a fall to a flat bank, its terminals at a charger's voltage for the last hours."""
    story = Story(days=3, soc=0.7)
    series = played(story)
    late = series.t_ms > series.t_ms[-1] - hours * HOUR_MS
    shown = {**series.columns, "battery_v": np.where(late, volts, series.numbers("battery_v"))}
    return followed(story), followed(story, series=Series(series.t_ms, shown))


def test_absorption_voltage_at_once_is_not_taken_for_a_bank_that_fills_in_no_time():
    before, after = charged_at_the_end(14.3, 0.5)
    assert after.charging_now
    assert after.soc < before.soc + 0.25
    assert after.soc_sd > 0.06


def test_a_short_drive_on_a_flat_bank_is_no_full_charge():
    before, after = charged_at_the_end(14.3, 2.2)
    assert before.soc < 0.45
    assert after.soc < 0.95
    assert after.soc_sd > 0.03
    assert after.soc >= FULL_SOC or after.full_ms.size == 0


def test_what_is_counted_beyond_empty_teaches_no_capacity():
    """Days locked out with other loads that are counted on, though nothing is left to draw."""
    by_day = lambda m: 25.0 if m < 700 else 0.0  # noqa: E731 - one line of a story
    story = Story(days=2.0, soc=0.9, capacity_ah=80.0, charge_a=by_day)
    series = played(story)
    frame = frame_of(series, settings_for(story), None)
    counted = drawn_ah(frame, load_a(frame, settings_for(story)))
    long_after = np.where(series.t_ms > series.t_ms[-600], 1.0, 0.0)
    beyond = counted + 400.0 * np.cumsum(long_after) / float(np.sum(long_after))
    settings = settings_for(story)
    capacity = Capacity(80.0, 0.15, None)
    here = charge_state(frame, runs_of(frame), settings, capacity, counted)
    there = charge_state(frame, runs_of(frame), settings, capacity, beyond)
    assert there.gauge.usable_ah == pytest.approx(here.gauge.usable_ah, rel=0.35)
    assert np.isfinite(there.soc)


def test_a_bank_with_a_thirteenth_of_its_label_is_followed_to_what_it_has():
    """So worn a battery dies within the hour; each drive seems to fill it, each rest is far off."""
    drives = lambda m: 30.0 if m % 1440 < 240 or 560 < m % 1440 < 760 else 0.0  # noqa: E731 - one line of a story
    worn = Story(days=3.0, capacity_ah=9.0, charge_a=drives, ambient_c=33.0, pull_down_k_per_h=6.0)
    state = followed(worn, believed_ah=120.0)
    assert state.gauge.usable_ah == pytest.approx(9.0, rel=0.3)
    assert np.isfinite(state.gauge.estimate.mean).all()


def test_days_under_a_panel_teach_less_of_the_capacity_than_days_without():
    """Weak sun gives some of what is counted and shows nothing of it."""
    story = Story(days=2.5, soc=0.95, capacity_ah=80.0)
    series, plain = played(story), settings_for(story)
    roofed = plain.model_copy(
        update={
            "unit": plain.unit.model_copy(
                update={"supply": plain.unit.supply.model_copy(update={"panel_wp": 120.0})}
            )
        }
    )
    frame = frame_of(series, plain, None)
    found = [
        charge_state(
            frame, runs_of(frame), one, Capacity(100.0, 0.15, None), drawn_ah(frame, load_a(frame, one))
        )
        for one in (plain, roofed)
    ]
    assert found[1].gauge.usable_share_sd > found[0].gauge.usable_share_sd
