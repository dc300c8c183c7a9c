"""The planner against cases worked by hand: recharge times, warm drinks, a steady cabinet, a panel's day."""

import math

import numpy as np
import pytest

from services.analytics.planning import banks, cabinets
from services.analytics.power.sunshine import clear_sky_w_per_m2
from services.timebase import MINUTE_MS, ms_of_iso

pytestmark = pytest.mark.outside


def hours_to(missing_ah, *, net_a, efficiency, end_ah, step_h=0.001):
    """Return the planner's time by the bare ampere-hour law (Vinal, Storage Batteries, from memory)."""
    missing, hours = np.array([missing_ah]), 0.0
    while missing[0] > end_ah and hours < 24:
        missing = banks.missing_after(
            missing,
            np.array([100.0]),
            net_a=np.array([net_a]),
            efficiency=efficiency,
            taper=banks.Taper(lithium=False, finish_h=banks.TAPER_H),
            step_h=step_h,
        )
        hours += step_h
    return hours


@pytest.mark.parametrize(
    ("net_a", "efficiency", "by_hand_h"),
    [
        # bulk (40 - 25) / 25 = 0.60 h, taper ln(25 / 5) = 1.61 h
        (25.0, 1.0, 2.21),
        # bulk (40 - 10) / 10 = 3.00 h, taper ln(10 / 5) = 0.69 h
        (10.0, 1.0, 3.69),
        # a fridge of 1.5 A in between, 0.9 of the charge stays: 16.5 / (0.9 x 23.5) + ln(23.5 / 5) / 0.9
        (23.5, 0.9, 2.50),
    ],
)
def test_recharge_from_40_to_5_ah_missing_takes_what_the_law_says(net_a, efficiency, by_hand_h):
    bulk = (40.0 - net_a) / (efficiency * net_a)
    taper = math.log(net_a / 5.0) / efficiency
    assert bulk + taper == pytest.approx(by_hand_h, abs=0.005)
    assert hours_to(40.0, net_a=net_a, efficiency=efficiency, end_ah=5.0) == pytest.approx(
        by_hand_h, abs=0.01
    )


def test_the_last_part_takes_the_two_to_four_hours_of_common_practice():
    """From 85 to 95 % at any charger: 2-4 h (common practice, no source); the bare law alone gives 1.1 h."""
    assert math.log(15.0 / 5.0) * banks.TAPER_H == pytest.approx(1.1, abs=0.01)
    assert 2.0 <= math.log(15.0 / 5.0) * banks.FINISH_H <= 4.0


@pytest.mark.parametrize(("cooling_w", "by_hand_h"), [(60.0, 11.6), (45.0, 17.0), (30.0, 32.4)])
def test_twenty_kilograms_of_warm_drinks_run_a_machine_all_day(cooling_w, by_hand_h):
    """77 kJ/K, 0.64 W/K, 35 °C outside, 30 to 4 °C: C / UA ln((30 - Te) / (4 - Te)), Te = 35 - Q / 0.64."""
    end_c = 35.0 - cooling_w / 0.64
    assert 77e3 / 0.64 * math.log((30.0 - end_c) / (4.0 - end_c)) / 3600 == pytest.approx(by_hand_h, abs=0.05)
    found = cabinets.full_duty_hours(
        heat_j_per_k=20 * cabinets.DRINK_J_PER_KG_K,
        gain_w_per_k=0.64,
        cooling_w=cooling_w,
        outside_c=35.0,
        from_c=30.0,
        to_c=4.0,
    )
    assert found == pytest.approx(by_hand_h, abs=0.05)


def test_they_cost_about_45_ampere_hours():
    """11.6 h at 48 W and 12.5 V: 11.6 x 48 / 12.5 = 44.5 Ah."""
    hours = cabinets.full_duty_hours(
        heat_j_per_k=20 * cabinets.DRINK_J_PER_KG_K,
        gain_w_per_k=0.64,
        cooling_w=60.0,
        outside_c=35.0,
        from_c=30.0,
        to_c=4.0,
    )
    assert hours * 48.0 / (12.0 * cabinets.ON_NOMINAL) == pytest.approx(45.0, abs=1.0)


@pytest.mark.parametrize(
    ("outside_c", "capacity_w", "power_w", "duty", "ah_a_day"),
    [(25.0, 70.0, 45.0, 0.19, 17.0), (35.0, 60.0, 48.0, 0.33, 31.0), (43.0, 52.0, 50.0, 0.48, 46.0)],
)
def test_a_steady_cabinet_runs_as_long_as_its_heat_gain_asks(outside_c, capacity_w, power_w, duty, ah_a_day):
    """0.64 W/K at 4 °C: gain over capacity; times power over 12.5 V. Worked by hand."""
    cabinet = cabinets.Cabinet(
        unit="v3-meat",
        set_point_c=4.0,
        frozen=False,
        gain_w_per_k=0.64,
        cooling_w=capacity_w / float(cabinets.cooling_share(np.array(outside_c), np.array(0.0))),
        draw_w=power_w,
        food_kg=12.0,
        in_sun_k=0.0,
    )
    start = cabinets.food_kj_per_kg(np.array([4.0]), frozen=False)
    heat = cabinets.Heat(np.array([4.0]), start, np.zeros(1), np.array([4.0]))
    ran = [
        cabinets.step(
            heat,
            cabinet,
            outside_c=np.array([outside_c]),
            gain_w_per_k=np.array([0.64]),
            cooling_w=np.array([cabinet.cooling_w]),
            use_w=np.zeros(1),
            powered=np.ones(1),
            step_s=600.0,
        )[0]
        for _ in range(144)
    ]
    assert np.mean(ran) == pytest.approx(duty, abs=0.006)
    assert np.mean(ran) * power_w / 12.5 * 24 == pytest.approx(ah_a_day, abs=0.6)


@pytest.mark.parametrize(("date", "kwh", "ah"), [("2026-12-21", 8.29, 41.0), ("2026-06-21", 5.03, 25.0)])
def test_a_hundred_watts_of_level_panel_on_a_clear_day(date, kwh, ah):
    """19.0° S, 23.5° E. The day's sun as an open solar library gives it for this clear sky (computed once,
    its own test runs it); the charge is that energy times 0.67 over 13.5 V, against about 41 and 25 Ah.
    """
    t_ms = ms_of_iso(f"{date}T00:00:00Z") + MINUTE_MS * np.arange(1440, dtype=np.int64)
    sun = clear_sky_w_per_m2(t_ms, latitude_deg=-19.0, longitude_deg=23.5)
    assert sun.sum() / 60e3 == pytest.approx(kwh, rel=0.01)
    amps = banks.panel_a(sun, panel_wp=np.array(100.0), cloud_share=np.array(0.0), nominal_v=12)
    assert amps.sum() / 60 == pytest.approx(ah, rel=0.03)
