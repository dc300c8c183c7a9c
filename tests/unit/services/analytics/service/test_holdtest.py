import numpy as np
import pytest

from services.analytics.service.holdtest import LONGEST_MS, hold_is_over, holdover_test
from services.analytics.service.runtest_lines import Asked
from services.domain import Food, RunTestWords
from services.telemetry import Series
from services.timebase import HOUR_MS
from tests.helpers.benched import SHUT, START_MS, played, settings


def held(hours, *, words=SHUT, over=True, unit=None, last_tau_h=None, asked_h=None, **columns):
    series = played(hours, begin_c=2.0, off_from_h=0.0, **columns)
    end_ms = START_MS + round((asked_h or hours) * HOUR_MS)
    asked = Asked(START_MS, end_ms, words, over=over)
    return holdover_test(series, unit or settings(), asked, last_tau_h=last_tau_h)


def wanting(hours):
    return SHUT.model_copy(update={"required_h": hours})


def test_a_valid_test_without_a_requirement_is_a_number_and_no_verdict():
    found = held(3)
    assert found.verdict == "measured"
    assert hold_is_over(found)
    # one block: tau ln((30 - 2) / (30 - 4)), tau 20 kJ/K over 0.64 W/K
    assert found.line("hold_h").value == pytest.approx(20_000 / 0.64 / 3600 * np.log(28 / 26), abs=0.02)
    assert found.line("tau_h").value == pytest.approx(20_000 / 0.64 / 3600, rel=0.02)
    assert found.line("hold_at_43_h").value < found.line("hold_at_32_h").value < found.line("hold_h").value
    assert found.end < START_MS + HOUR_MS


def test_hours_its_operator_asks_for_decide():
    assert held(3, words=wanting(0.6)).verdict == "pass"
    short = held(3, words=wanting(0.7))
    assert (short.verdict, short.because) == ("fail", ("hold_h",))


def test_a_much_quicker_warming_than_last_time_fails():
    assert held(3, last_tau_h=9.0).verdict == "pass"
    found = held(3, last_tau_h=11.0)
    assert (found.verdict, found.because) == ("fail", ("tau_ratio",))


def test_without_reaching_the_limit_it_says_longer_than():
    found = held(0.5)
    assert (found.verdict, found.because) == ("not_valid", ("hold_h",))
    assert "longer than 0.5 h" in found.line("hold_h").value_reason
    assert held(0.5, words=wanting(0.4)).verdict == "pass"
    assert not hold_is_over(held(0.5, over=False))
    assert held(0.5, over=False).verdict == "running"


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"ambient_c": 19.0}, "ambient_c"),
        ({"ambient_c": None}, "ambient_c"),
        ({"words": RunTestWords()}, "lid_open_min"),
        ({"compressor_on": [0.0] * 10 + [1.0] * 5 + [0.0] * 166}, "ran_min"),
        ({"cabinet_c": [6.0] * 181}, "start_c"),
    ],
)
def test_a_condition_not_kept_makes_it_not_valid(changes, key):
    found = held(3, **changes)
    assert found.verdict == "not_valid"
    assert key in found.because


def test_it_starts_to_count_while_the_last_run_is_still_in_its_first_reading():
    assert held(3, compressor_on=[1.0] + [0.0] * 180).verdict == "measured"


def test_readings_too_far_apart_or_missing_at_the_limit_are_not_valid():
    series = played(3, begin_c=2.0, off_from_h=0.0)
    thin = Series(series.t_ms[::10], {n: v[::10] for n, v in series.columns.items()})
    asked = Asked(START_MS, START_MS + 3 * HOUR_MS, SHUT)
    unit = settings(interval_s=600)
    assert {"spacing_s", "crossing_gap_min"} <= set(holdover_test(thin, unit, asked).because)


def test_the_vaccine_method_goes_to_ten_degrees_of_the_warmest_point_from_within_its_range():
    words = SHUT.model_copy(update={"vaccine": True})
    found = held(6, words=words, product_c=np.linspace(3.0, 12.0, 361))
    assert found.limit_c == 10.0
    # the product reaches 10 °C at 7/9 of six hours; the cabinet, 4.67 h on, stays below it
    assert found.line("hold_h").value <= 7 / 9 * 6
    assert found.line("start_c").value == 3.0
    assert "start_c" in held(3, words=words, cabinet_c=[9.0] * 181).because


def test_the_food_of_a_freezer_has_no_time_constant():
    unit = settings(kind="freezer", set_point_c=-20.0, food=Food(classes=("frozen_other",)))
    found = held(6, unit=unit, cabinet_c=np.linspace(-20.0, -6.0, 361))
    assert found.line("hold_h").value == pytest.approx(8 / 14 * 6, abs=0.05)
    assert found.limit_c == -12.0
    assert found.line("tau_h").state == "not_measured"


def test_it_ends_by_itself_after_three_days():
    found = held(73, cabinet_c=[2.0] * (73 * 60 + 1), over=False)
    assert found.end - found.start == LONGEST_MS
    assert hold_is_over(found)
