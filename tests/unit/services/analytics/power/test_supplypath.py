import numpy as np
import pytest

from services.analytics.power.assess import power
from services.analytics.power.curves import CURVES
from services.analytics.power.resistance import Steps
from services.analytics.power.supplypath import advised_mm2, daily_ohm, hours_lost
from services.timebase import DAY_MS, MINUTE_MS
from tests.helpers.made_supply import Story, played, settings_for


def path_of(story, **supply):
    series = played(story)
    result = power(series, settings_for(story, **supply), as_of_ms=int(series.t_ms[-1]), food_limit_c=5.0)
    return result.battery.supply_path


def test_a_sound_path_costs_nothing_and_is_not_called_worn():
    path = path_of(Story(days=2, soc=0.95))
    assert not path.worn
    assert path.hours_lost == pytest.approx(0.0, abs=3.0)
    assert path.ohm == pytest.approx(path.expected_ohm, abs=0.02)


def test_a_worn_joint_is_told_with_the_hours_it_costs_and_the_usual_cautions():
    path = path_of(Story(days=2, soc=0.95, path_ohm=0.20))
    assert path.worn
    assert path.hours_lost > 5.0
    assert f"{path.hours_lost:.1f} h" in path.words
    assert "licensed" in path.words


def test_a_thin_cable_brings_advice_on_section_and_the_fuse():
    path = path_of(Story(days=2, soc=0.95), cable_length_m=6.0, cable_mm2=1.5)
    assert path.advised_mm2 == 4.0
    assert "Fuse it at the battery" in path.words


def test_a_section_is_advised_for_the_nominal_voltage():
    assert advised_mm2(length_m=5.0, running_a=6.0, nominal_v=12.0) == 4.0
    assert advised_mm2(length_m=5.0, running_a=3.0, nominal_v=24.0) == 1.5
    assert advised_mm2(length_m=80.0, running_a=6.0, nominal_v=12.0) is None


def test_more_resistance_never_gains_hours():
    soc, volts = np.linspace(0, 1, 11), np.array(CURVES["agm"].volts) - 0.2
    lost = [
        hours_lost(
            excess_ohm=ohm,
            cutout_v_12=11.4,
            running_a=4.0,
            mean_a=1.5,
            capacity_ah=100.0,
            soc=soc,
            loaded_v_12=volts,
        )
        for ohm in (-0.05, 0.0, 0.05, 0.1, 0.3, 3.0)
    ]
    assert lost == sorted(lost)
    assert lost[:2] == [0.0, 0.0]
    assert lost[-1] <= 100.0 / 1.5


def test_a_day_counts_by_its_median_so_that_a_step_with_another_load_is_let_go():
    t_ms = 20_000 * DAY_MS + np.arange(10) * 60 * MINUTE_MS
    ohm = np.array([0.08] * 8 + [0.5, -0.3])
    days, medians = daily_ohm(Steps(t_ms, ohm, np.full(10, 12.7)), CURVES["agm"])
    assert days.tolist() == [20_000.0]
    assert medians.tolist() == [0.08]


def test_too_few_stops_are_said():
    series = played(Story(days=0.05))
    result = power(series, settings_for(Story()), as_of_ms=int(series.t_ms[-1]), food_limit_c=5.0)
    assert result.battery.supply_path is None
    assert "needed" in result.battery.supply_path_reason
