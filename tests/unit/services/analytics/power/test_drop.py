import numpy as np
import pytest

from services.analytics.power.curves import battery_ohm, curve_of, rest_v
from services.analytics.power.drop import LEAST_SHARE, WORN_SHARE, Drop, drop_of
from services.analytics.power.path import sound_ohm
from services.analytics.power.resistance import Steps
from services.timebase import MINUTE_MS, ms_of_iso
from tests.helpers.made_supply import Story, settings_for

BEGUN_MS = ms_of_iso("2026-03-01T06:00:00Z")


def steps(soc, *, cable_ohm, share, noise_ohm=0.0, settings=None, seed=5):
    """Return what stops of a unit show whose battery empties from the first to the last charge given."""
    settings = settings_for(Story()) if settings is None else settings
    curve, _ = curve_of(settings)
    scale = settings.nominal_v / 12.0
    inner = share * battery_ohm(soc, capacity_ah=settings.bank.capacity_ah, lithium=False) * scale
    noise = noise_ohm * np.random.default_rng(seed).standard_normal(soc.size)
    t_ms = BEGUN_MS + 40 * MINUTE_MS * np.arange(soc.size, dtype=np.int64)
    return Steps(t_ms, cable_ohm + inner + noise, rest_v(soc, curve))


def test_without_steps_a_used_battery_on_sound_cable_is_supposed():
    settings = settings_for(Story())
    found = drop_of(steps(np.empty(0), cable_ohm=0.1, share=1.0), settings)
    assert found == Drop(sound_ohm(settings), WORN_SHARE)


@pytest.mark.parametrize(("cable_ohm", "share"), [(0.05, 0.9), (0.05, 2.4), (0.15, 1.2)])
def test_a_deep_night_tells_cable_from_battery(cable_ohm, share):
    settings = settings_for(Story())
    found = drop_of(
        steps(np.linspace(0.95, 0.12, 60), cable_ohm=cable_ohm, share=share, noise_ohm=0.003), settings
    )
    assert found.cable_ohm == pytest.approx(cable_ohm, abs=0.012)
    assert found.battery_share == pytest.approx(share, rel=0.2)


def test_near_full_the_sum_is_right_though_its_parts_cannot_be_told():
    settings = settings_for(Story())
    seen = steps(np.full(40, 0.9), cable_ohm=0.12, share=1.0)
    found = drop_of(seen, settings)
    there = found.cable_ohm + float(found.battery_ohm(np.array([0.9]), settings)[0])
    assert there == pytest.approx(float(seen.ohm[-1]), abs=0.004)
    assert found.battery_share == pytest.approx(WORN_SHARE, abs=0.3)


def test_a_joint_that_came_loose_today_counts_more_than_the_week_before():
    settings = settings_for(Story())
    soc = np.full(120, 0.8)
    before = steps(soc, cable_ohm=0.05, share=1.0)
    loose = np.where(np.arange(soc.size) >= 90, 0.1, 0.0)
    found = drop_of(Steps(before.t_ms, before.ohm + loose, before.volts_off_12), settings)
    assert found.cable_ohm > 0.10


def test_a_step_of_another_load_is_left_out():
    settings = settings_for(Story())
    clean = steps(np.linspace(0.9, 0.3, 40), cable_ohm=0.06, share=1.0, noise_ohm=0.002)
    spoiled = clean.ohm.copy()
    spoiled[[7, 39]] += 0.4
    with_them = drop_of(Steps(clean.t_ms, spoiled, clean.volts_off_12), settings)
    assert with_them.cable_ohm == pytest.approx(drop_of(clean, settings).cable_ohm, abs=0.01)


def test_neither_part_falls_below_what_it_can_be():
    settings = settings_for(Story())
    found = drop_of(steps(np.linspace(0.9, 0.1, 60), cable_ohm=0.08, share=0.0), settings)
    assert found.battery_share == LEAST_SHARE
    assert drop_of(steps(np.full(30, 0.9), cable_ohm=-0.2, share=1.0), settings).cable_ohm >= 0.0


def test_at_twice_the_voltage_everything_is_fourfold():
    small = settings_for(Story())
    large = settings_for(Story(nominal_v=24, running_a=2.1, capacity_ah=100, cutout_v=22.8))
    soc = np.linspace(0.9, 0.15, 50)
    inner = battery_ohm(soc, capacity_ah=100.0, lithium=False)
    curve, _ = curve_of(large)
    seen = Steps(steps(soc, cable_ohm=0.1, share=1.0).t_ms, 0.2 + 2.0 * inner, rest_v(soc, curve))
    found = drop_of(seen, large)
    assert found.battery_ohm(np.array([0.2]), large)[0] == pytest.approx(
        2.0 * found.battery_share * float(battery_ohm(0.2, capacity_ah=100.0, lithium=False))
    )
    assert found.cable_ohm == pytest.approx(0.2, abs=0.03)
    assert drop_of(steps(soc, cable_ohm=0.1, share=1.0), small).cable_ohm < found.cable_ohm
