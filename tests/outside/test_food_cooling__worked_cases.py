"""Worked cases of published cooling, time-control, thawing and buffet rules.

Every expected outcome follows from the rule named beside it ("derived": by hand from the rule's
text, straight lines between readings).
"""

import pytest

from services.analytics.food.cooling import FOOD_CODE, FSANZ, cooling
from services.analytics.food.elapsed import buffet, thaw, time_control
from services.domain import Verdict
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS

pytestmark = pytest.mark.outside

FOOD_CODE_COOLING = "US FDA Food Code 2022, 3-501.14(A), read in the adoptions of Delaware and Wisconsin"
FSANZ_COOLING = "FSANZ Standard 3.2.2, clause 7(3), read in a secondary copy"


def at(minute):
    return MIDNIGHT_MS + round(minute * MINUTE_MS)


def cores(points):
    return [(at(minute), core_c) for minute, core_c in points]


# Each row: the case's name, the rule and its source, the readings, and the derived outcome.
COOLING = [
    ("FC-COOL-1", FOOD_CODE, FOOD_CODE_COOLING, [(0, 57), (120, 21), (360, 5)], "pass"),
    ("FC-COOL-2", FOOD_CODE, FOOD_CODE_COOLING, [(0, 57), (130, 21), (300, 5)], "fail"),
    ("FC-COOL-3", FOOD_CODE, FOOD_CODE_COOLING, [(0, 57), (60, 21), (360, 5)], "pass"),
    ("FC-COOL-4", FOOD_CODE, FOOD_CODE_COOLING, [(0, 57), (90, 21), (380, 5)], "fail"),
    ("AU-COOL", FSANZ, FSANZ_COOLING, [(0, 60), (60, 21), (330, 5)], "fail"),
    ("AU-COOL by the Food Code's total", FOOD_CODE, FOOD_CODE_COOLING, [(0, 60), (60, 21), (330, 5)], "pass"),
    ("FC-COOL-3 by the separate stages", FSANZ, FSANZ_COOLING, [(0, 57), (60, 21), (360, 5)], "fail"),
]


@pytest.mark.parametrize("case", COOLING, ids=[case[0] for case in COOLING])
def test_two_stage_cooling(case):
    _, rule, source, points, outcome = case
    found = cooling(cores(points), as_of_ms=at(points[-1][0]), rules=(rule,))
    assert found.outcome == outcome, source
    assert found.verdict is (Verdict.OK if outcome == "pass" else Verdict.DISCARD_ADVISED)


def test_the_careful_default_asks_both_rules():
    for points in ([(0, 57), (60, 21), (360, 5)], [(0, 60), (60, 21), (330, 5)]):
        assert cooling(cores(points), as_of_ms=at(400)).outcome == "fail"
    assert cooling(cores([(0, 60), (100, 21), (300, 5)]), as_of_ms=at(300)).outcome == "pass"


def by_time(points, as_of_min, **options):
    options = {"written_procedure": True, "marked": True, **options}
    return time_control(cores(points), removed_ms=at(0), as_of_ms=at(as_of_min), **options)


def test_fc_time_1_cooling_it_again_does_not_stop_the_four_hours():
    # 3-501.19(B), read in the adoptions of Minnesota and Wisconsin.
    points = [(0, 4), (30, 10), (90, 4), (240, 4)]
    assert by_time(points, 239).verdict is Verdict.WATCH
    found = by_time(points, 240)
    assert (found.verdict, found.reached_at) == (Verdict.DISCARD_ADVISED, at(240))


def test_fc_time_2_six_hours_end_at_21_degrees():
    # 3-501.19(C), read in the adoptions of Minnesota and Wisconsin.
    points = [(0, 5), (180, 15), (300, 21), (330, 21.5)]
    assert by_time(points, 300, six_hours=True).verdict is Verdict.WATCH
    found = by_time(points, 330, six_hours=True)
    assert (found.verdict, found.reached_at) == (Verdict.DISCARD_ADVISED, at(300))
    assert by_time([(0, 5), (180, 15)], 360, six_hours=True).reached_at == at(360)


def test_fc_time_3_food_taken_out_at_6_degrees_has_no_time_at_all():
    # 3-501.19(B)(1) and (C)(1).
    for six_hours in (False, True):
        assert by_time([(0, 6), (60, 10)], 60, six_hours=six_hours).verdict is None


def test_a_breakdown_cannot_be_turned_into_time_control():
    # 3-501.19(A): written procedures prepared in advance.
    assert by_time([(0, 4)], 10, written_procedure=False).verdict is None


def test_unmarked_food_under_time_control_is_discarded():
    # 3-501.19(B)(4).
    assert by_time([(0, 4)], 10, marked=False).verdict is Verdict.DISCARD_ADVISED


@pytest.mark.parametrize(
    ("before", "out", "verdict"),
    [
        # FSANZ 2-hour/4-hour rule, read in a copy: AU-1 73.3 min, AU-2 86 + 66 min, AU-3 241 min.
        (0, 73.3, Verdict.WATCH),
        (86, 66, Verdict.HOLD),
        (0, 241, Verdict.DISCARD_ADVISED),
        # The text leaves exactly 2 and 4 h open; this project counts them as reached.
        (0, 120, Verdict.HOLD),
        (120, 120, Verdict.DISCARD_ADVISED),
    ],
)
def test_a_buffet_adds_up_every_time_the_food_was_out(before, out, verdict):
    found = buffet(minutes_before=before, started_ms=at(0), as_of_ms=at(out))
    assert found.minutes == pytest.approx(before + out)
    assert found.verdict is verdict


@pytest.mark.parametrize(
    ("points", "minutes", "verdict"),
    [
        # 3-501.13(B)(4): over 4 h above 5 °C, the time to cool it back included (derived).
        ([(0, 0), (60, 10), (240, 10), (300, 5)], 30 + 180 + 60, Verdict.DISCARD_ADVISED),
        ([(0, 0), (60, 10), (180, 10), (240, 5)], 30 + 120 + 60, Verdict.WATCH),
    ],
)
def test_thawing_counts_the_time_to_cool_it_back(points, minutes, verdict):
    found = thaw(cores(points), as_of_ms=at(points[-1][0]), ready_to_eat=False)
    assert found.minutes == pytest.approx(minutes)
    assert found.verdict is verdict


def test_thawed_parts_eaten_as_they_are_may_not_pass_5_degrees():
    # 3-501.13(B)(3).
    assert thaw(cores([(0, 4), (10, 5.2)]), as_of_ms=at(10), ready_to_eat=True).verdict is Verdict.HOLD
    assert thaw(cores([(0, 4), (10, 5.0)]), as_of_ms=at(10), ready_to_eat=True).verdict is Verdict.OK
