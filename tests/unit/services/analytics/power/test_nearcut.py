import numpy as np
import pytest

from services.analytics.power.capacity import capacity_of
from services.analytics.power.charge import charge_state, drawn_ah, load_a
from services.analytics.power.charging import charging_at
from services.analytics.power.curves import curve_of, rest_v
from services.analytics.power.drop import Drop, loaded_v
from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.nearcut import NEAR_SHARE, margin_under_load, seen_under_load
from services.analytics.power.runout import soc_at_cutout
from services.analytics.power.situation import Situation, usual_run_h
from services.telemetry import Series
from services.timebase import MINUTE_MS, ms_of_iso
from tests.helpers.made_supply import Story, played, settings_for

BEGUN_MS = ms_of_iso("2026-03-01T20:00:00Z")
CUTOUT_V = 11.4
DROP = Drop(0.06, 1.25)


def margin(soc, *, settings=None, drop=DROP, off_v=0.0, off_minutes=30, begun_ms=BEGUN_MS, volts_after=None):
    """Return the margin after half an hour's run at a charge, the machine off for some minutes since."""
    settings = settings_for(Story()) if settings is None else settings
    on = np.arange(60 + off_minutes) < 60
    at_rest = float(rest_v(soc, curve_of(settings)[0]))
    under_load = float(loaded_v(np.array([soc]), settings, DROP, unit_a=settings.running_a)[0])
    volts = np.where(on, under_load, at_rest if volts_after is None else volts_after) + off_v
    t_ms = begun_ms + np.arange(on.size, dtype=np.int64) * MINUTE_MS
    series = Series(t_ms, {"compressor_on": on.astype(float), "battery_v": volts})
    frame = frame_of(series, settings, None)
    charging = charging_at(frame, curve_of(settings)[0])
    ah = np.arange(on.size) / 60.0
    return margin_under_load(frame, settings, charging=charging, drop=drop, cutout_v_12=CUTOUT_V, ah=ah)


def test_near_the_cut_out_the_voltage_says_how_much_is_left():
    cut = soc_at_cutout(settings_for(Story()), cutout_v_12=CUTOUT_V, drop=DROP)
    above, gone_ah = margin(cut + 0.1)
    assert above == pytest.approx(0.1, abs=0.01)
    assert gone_ah == pytest.approx(0.5)


def test_a_cable_that_is_not_what_it_is_taken_for_moves_it_little():
    """30 mΩ are 0.13 V and a tenth of the battery's range; of the way to the cut-out it is a hundredth."""
    cut = soc_at_cutout(settings_for(Story()), cutout_v_12=CUTOUT_V, drop=DROP)
    above, _ = margin(cut + 0.1, drop=Drop(0.09, 1.25))
    assert above == pytest.approx(0.1, abs=0.03)


def test_far_from_the_cut_out_it_says_nothing():
    cut = soc_at_cutout(settings_for(Story()), cutout_v_12=CUTOUT_V, drop=DROP)
    assert margin(cut + NEAR_SHARE + 0.05) is None


def test_below_the_cut_out_nothing_is_left():
    cut = soc_at_cutout(settings_for(Story()), cutout_v_12=CUTOUT_V, drop=DROP)
    above, _ = margin(cut + 0.02, off_v=-0.15)
    assert above == 0.0


@pytest.mark.parametrize("said", [{"off_minutes": 240}, {"volts_after": 13.6}])
def test_an_old_run_and_one_since_which_something_charged_say_nothing(said):
    assert margin(0.3, **said) is None


def test_weak_sun_on_a_panel_is_not_read():
    settings = settings_for(Story())
    supply = settings.unit.supply.model_copy(update={"panel_wp": 100.0})
    sunny = settings.model_copy(update={"unit": settings.unit.model_copy(update={"supply": supply})})
    cut = soc_at_cutout(sunny, cutout_v_12=CUTOUT_V, drop=DROP)
    noon_ms = ms_of_iso("2026-03-01T11:00:00Z")
    assert margin(cut + 0.1, settings=sunny, begun_ms=noon_ms) is None
    assert margin(cut + 0.1, settings=sunny) is not None


@pytest.mark.parametrize(("chemistry", "held_against"), [("agm", True), ("lifepo4", False)])
def test_lead_near_its_cut_out_is_held_against_it_and_lithium_is_left_to_its_count(chemistry, held_against):
    story = Story(days=1.0, soc=0.45 if held_against else 0.4, capacity_ah=100.0, chemistry=chemistry)
    settings = settings_for(story)
    series = played(story)
    as_of_ms = int(series.t_ms[-1])
    frame = frame_of(series, settings, None)
    runs = runs_of(frame)
    charging = charging_at(frame, curve_of(settings)[0])
    ah = drawn_ah(frame, load_a(frame, settings))
    capacity = capacity_of(settings, as_of_ms=as_of_ms)
    situation = Situation(
        frame=frame,
        ordinary=np.ones(len(frame), dtype=np.bool_),
        settings=settings,
        capacity=capacity,
        state=charge_state(frame, runs, settings, capacity, ah, charging=charging),
        drop=DROP,
        run_h=usual_run_h(runs),
        cutout_v_12=CUTOUT_V,
        cut_out_since_ms=None,
        held=None,
        food_limit_c=5.0,
        as_of_ms=as_of_ms,
        charging=charging,
        ah=ah,
    )
    cut = soc_at_cutout(settings, cutout_v_12=CUTOUT_V, drop=DROP)
    assert (seen_under_load(situation, cut, 0.005) is not situation.state) == held_against
