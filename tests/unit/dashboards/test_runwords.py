from zoneinfo import ZoneInfo

import pytest

from dashboards import runwords, text
from services.domain import FoodAtRisk, Runout
from services.timebase import HOUR_MS
from tests.helpers.larder import CUTOUT, NO_BATTERY, NOW_MS, card, runout

LUSAKA = ZoneInfo("Africa/Lusaka")


def words(found, **changes):
    return runwords.runout_words(
        found.model_copy(update=changes), as_of_ms=NOW_MS, zone=LUSAKA, now_ms=NOW_MS
    )


def test_a_unit_never_heard_says_so():
    assert text.age(None, NOW_MS) == "never heard"
    assert runwords.above_words(card(observed_at=None)) == "not known"


def test_people_plan_on_the_early_end():
    assert words(runout()) == ("plan on 02:35 tomorrow", "likely 05:05 tomorrow", "")


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"hours_p50": None, "hours_p90": None}, ("plan on 02:35 tomorrow", "likely more than 7 days", "")),
        ({"reason": "cut_out"}, ("stopped now", "", "the unit has cut out")),
        ({"reason": "beyond_horizon", "hours_p10": None}, ("more than 7 days", "", "")),
        ({"reason": "charging"}, ("charging", "", "then 9.5 h (likely 12 h)")),
        ({"reason": "charging", "hours_p50": None}, ("charging", "", "then 9.5 h (likely more than 7 days)")),
        ({"reason": "charging", "hours_p10": None}, ("charging", "", "")),
        (
            {"reason": "charging", "if_charging_stops_at": NOW_MS + HOUR_MS},
            ("plan on 03:35 tomorrow", "likely 06:05 tomorrow", "if charging stops at 18:05"),
        ),
    ],
)
def test_every_kind_of_run_out_has_words(changes, expected):
    assert words(runout(), **changes) == expected


def test_nobody_is_told_to_plan_on_a_time_gone_by():
    late = NOW_MS + 20 * HOUR_MS
    found = runwords.runout_words(runout(), as_of_ms=NOW_MS, zone=LUSAKA, now_ms=late)
    assert found == ("plan on now", "likely now", "")
    charged = runout(reason="charging", if_charging_stops_at=NOW_MS)
    assert runwords.runout_words(charged, as_of_ms=NOW_MS, zone=LUSAKA, now_ms=late).plan == "plan on now"


def test_minutes_are_told_of_the_limit_that_decides_and_its_side():
    thawed = card("camp-fish", minutes_above=250.0, minutes_worst_case=250.0, decided_c=4.0)
    assert runwords.above_words(thawed) == "4 h 10 min above 4.0 °C"
    frozen = card(minutes_above=2.0, minutes_worst_case=2.0, decided_c=0.0, decided_below=True)
    assert runwords.above_words(frozen) == "2 min below 0.0 °C"


def test_what_is_not_known_says_why():
    found = Runout(
        hours_p10=None,
        hours_p10_reason="no capacity given",
        hours_p50=None,
        hours_p90=None,
        reason="not_enough_data",
    )
    assert words(found) == ("not known", "", "no capacity given")
    assert words(NO_BATTERY) == ("no battery", "", "")


def test_food_at_risk_leads_with_the_early_end():
    risk = runout().food_at_risk
    shown = runwords.risk_words(risk, zone=LUSAKA, now_ms=NOW_MS)
    assert shown == "05:35 tomorrow (likely 09:11 tomorrow)"
    assert runwords.risk_words(risk, zone=LUSAKA, now_ms=risk.from_p10) == "now"
    unknown = FoodAtRisk(holdover_hours=None, from_p10=None, from_p50=None, from_p90=None, limit_c=5.0)
    assert runwords.risk_words(unknown, zone=LUSAKA, now_ms=NOW_MS) == ""
    assert runwords.risk_words(None, zone=LUSAKA, now_ms=NOW_MS) == ""


def test_minutes_above_come_with_what_is_unknown():
    found = card(minutes_above=133.0, minutes_unknown=22.0, minutes_worst_case=155.0)
    assert runwords.above_words(found) == "2 h 13 min above 5.0 °C, 22 min not known, at worst 2 h 35 min"
    assert runwords.above_words(card()) == "0 min above 5.0 °C"


def test_a_cut_out_is_told_in_a_sentence():
    assert runwords.cutout_words(CUTOUT, zone=LUSAKA, now_ms=NOW_MS) == (
        "Cut out 12:05 to 15:05, at 10.79 V: wiring: voltage is lost between battery and unit (probable); "
        "3 h 00 min without cooling."
    )
    still = CUTOUT.model_copy(update={"end": None, "voltage_v": None, "certainty": "certain"})
    assert "and has not come back: wiring" in runwords.cutout_words(still, zone=LUSAKA, now_ms=NOW_MS)
