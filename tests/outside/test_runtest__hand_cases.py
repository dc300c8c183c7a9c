"""Run test and field hold-over against numbers worked by hand and against published limits.

One lumped block: 77 kJ/K of water-like load and 0.64 W/K of heat gain, air at 35 °C, from 30 to 4 °C: 60 W
take 11.6 h, 45 W 17.0 h; time constant 33 h (worked from ``dT/dt = [UA (Ta - T) - Q] / C``).
30 kg of lean beef (water 0.745, protein 0.21, freezing at -1.1 °C, Chen 1985 from memory) at -18 °C and a
constant leak of 15 W: 18.0 kJ/kg to -12 °C, 10.0 h.
WHO PQS E003: hold-over ends at +10 °C in the warmest load point, readings every minute (as a published
discussion of the method has it). Regulation (EU) 2019/2016, annexes, tables 3 and 4: fresh food 4 °C within
0 to 8 °C, freezer -18 °C or colder.
"""

import math

import numpy as np
import pytest

from services.analytics.food.enthalpy import LEAN_BEEF, enthalpy_kj_per_kg
from services.analytics.service.holdtest import holdover_test
from services.analytics.service.runtest import run_test
from services.analytics.service.runtest_lines import Asked
from services.analytics.service.stretch import kelvin_hours_above
from services.domain import Food
from services.telemetry import Series
from services.timebase import HOUR_MS, MINUTE_MS
from tests.helpers.benched import SHUT, START_MS, Block, played, settings

EXAMPLE = Block(ua_w_per_k=0.64, c_j_per_k=77_000.0, q_w=60.0)


def asked(hours, words=SHUT):
    return Asked(START_MS, START_MS + round(hours * HOUR_MS), words)


def ended(series, hours, unit, words=SHUT):
    return holdover_test(series, unit, asked(hours, words))


@pytest.mark.outside
def test_the_example_cabinet_takes_11_6_hours_from_30_to_4_degrees_at_60_watts():
    # pulled down counts within 1 K of the set point: 4 °C for one of 3 °C
    unit = settings(set_point_c=3.0)
    sixty = run_test(played(12, block=EXAMPLE, ambient_c=35.0, set_c=3.0), unit, asked(12))
    assert sixty.line("pulldown_h").value == pytest.approx(11.6, abs=0.05)
    assert sixty.line("pulldown_h").state == "outside"
    weaker = Block(ua_w_per_k=0.64, c_j_per_k=77_000.0, q_w=45.0)
    late = run_test(played(12, block=weaker, ambient_c=35.0, set_c=3.0), unit, asked(12)).line("pulldown_h")
    assert late.value is None
    assert "not reached in 12.0 h" in late.value_reason


@pytest.mark.outside
def test_a_lumped_block_holds_as_its_closed_form_says_to_ten_degrees():
    words = SHUT.model_copy(update={"vaccine": True})
    series = played(12, block=EXAMPLE, begin_c=3.0, ambient_c=35.0, off_from_h=0.0)
    found = ended(series, 12, settings(), words)
    tau_h = 77_000 / 0.64 / 3600
    assert tau_h == pytest.approx(33.4, abs=0.05)
    assert found.limit_c == 10.0
    assert found.line("hold_h").value == pytest.approx(tau_h * math.log((35 - 3) / (35 - 10)), abs=0.02)
    assert found.line("tau_h").value == pytest.approx(tau_h, rel=0.002)
    assert found.line("hold_at_43_h").value == pytest.approx(tau_h * math.log(40 / 33), rel=0.002)
    assert found.line("spacing_s").at_most == 60.0


@pytest.mark.outside
def test_frozen_beef_at_a_leak_of_15_watts_reaches_minus_12_after_10_hours():
    cold = np.linspace(-18.0, -11.0, 400)
    taken = enthalpy_kj_per_kg(cold, LEAN_BEEF) - enthalpy_kj_per_kg(np.array([-18.0]), LEAN_BEEF)
    hours = 30_000 * taken / 15 / 3600
    t_h = np.arange(12 * 60 + 1) / 60
    unit = settings(kind="freezer", set_point_c=-18.0, food=Food(classes=("frozen_other",)))
    series = played(12, begin_c=-18.0, off_from_h=0.0, cabinet_c=np.round(np.interp(t_h, hours, cold), 3))
    found = ended(series, 12, unit)
    assert found.limit_c == -12.0
    assert found.line("hold_h").value == pytest.approx(10.0, abs=0.15)


@pytest.mark.outside
def test_kelvin_hours_are_the_area_above_the_limit_worked_by_hand():
    t_ms = START_MS + HOUR_MS * np.array([0, 1, 2, 4, 5], dtype=np.int64)
    # 3 to 5: a triangle of 0.5 h and 1 K; 5 to 6: 1.5 K·h; 6 to 4 in 2 h: 2 K·h; 4 to 2: none
    values = np.array([3.0, 5.0, 6.0, 4.0, 2.0])
    found = kelvin_hours_above(t_ms, values, limit_c=4.0, gap_ms=2.0 * HOUR_MS)
    assert found == pytest.approx(0.25 + 1.5 + 2.0)
    # a gap of two hours counts nothing when it is beyond what is joined
    assert kelvin_hours_above(t_ms, values, limit_c=4.0, gap_ms=1.0 * HOUR_MS) == pytest.approx(1.75)


@pytest.mark.outside
def test_kelvin_hours_of_a_run_come_from_its_last_six_hours():
    minute = np.arange(721)
    warm = np.where(minute >= 660, 5.0, np.where(minute % 2 == 1, 3.0, 2.8))
    series = played(12, cabinet_c=warm)
    # an hour at 1 K above 4 °C, and half a minute of the straight rise from 3 to 5
    line = run_test(series, settings(), asked(12)).line("kh_above")
    assert line.value == pytest.approx(1.0 + 0.25 / 60, abs=1e-6)


@pytest.mark.outside
def test_household_targets_stand_beside_lowest_and_highest_and_decide_nothing():
    found = run_test(played(12), settings(), asked(12))
    for key in ("min_c", "max_c"):
        line = found.line(key)
        assert (line.role, line.state) == ("told", "told")
        for words in ("4 °C within 0 to 8 °C", "-18 °C", "(EU) 2019/2016"):
            assert words in line.source


@pytest.mark.outside
def test_nothing_is_read_into_a_log_that_begins_after_the_test():
    series = played(1)
    later = Series(series.t_ms + 13 * HOUR_MS + MINUTE_MS, series.columns)
    assert run_test(later, settings(), asked(12)).verdict == "not_valid"
