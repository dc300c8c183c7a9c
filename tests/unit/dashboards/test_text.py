from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from dashboards import text
from services.domain import FoodAtRisk, Runout, Verdict
from services.timebase import HOUR_MS, MINUTE_MS, ms_of_iso
from tests.helpers.larder import CUTOUT, NO_BATTERY, NOW_MS, card, runout

LUSAKA = ZoneInfo("Africa/Lusaka")


def words(found, **changes):
    return text.runout_words(found.model_copy(update=changes), as_of_ms=NOW_MS, zone=LUSAKA, now_ms=NOW_MS)


def test_every_verdict_has_its_own_words():
    assert len(set(text.WORDS.values())) == len(Verdict) == len(text.WORDS)


@pytest.mark.parametrize("verdict", [Verdict.HOLD, Verdict.DISCARD_ADVISED])
def test_medicine_is_never_to_be_thrown_away_on_our_word(verdict):
    assert text.word(verdict, ("drinks", "medicine")) == text.MEDICINE_WORD()
    assert text.word(Verdict.WATCH, ("medicine",)) == "Watch"


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (3.04, "3.0 °C"),
        (-18.25, "\N{MINUS SIGN}18.2 °C"),
        (-0.04, "0.0 °C"),
        (0.0, "0.0 °C"),
        (None, "not measured"),
    ],
)
def test_a_temperature_is_shown_to_a_tenth_and_zero_is_a_temperature(value, shown):
    assert text.degrees(value) == shown


@pytest.mark.parametrize(
    ("value", "shown"),
    [(0.0, "0 min"), (0.2, "1 min"), (73.3, "74 min"), (119.0, "119 min"), (133.0, "2 h 13 min")],
)
def test_minutes_are_never_fewer_than_there_were(value, shown):
    assert text.minutes(value) == shown


@pytest.mark.parametrize(("value", "shown"), [(2.99, "2.5 h"), (3.0, "3 h"), (11.9, "11 h")])
def test_hours_left_are_never_more_than_there_are(value, shown):
    assert text.hours(value) == shown


@pytest.mark.parametrize(
    ("ago_s", "shown"),
    [(0, "0 s ago"), (89, "89 s ago"), (90, "1 min ago"), (5400, "1 h ago"), (200_000, "2 days ago")],
)
def test_age_counts_in_the_unit_that_reads_best(ago_s, shown):
    assert text.age(NOW_MS - ago_s * 1000, NOW_MS) == shown


def test_a_unit_never_heard_says_so():
    assert text.age(None, NOW_MS) == "never heard"
    assert text.above_words(card(observed_at=None)) == "not known"


def test_a_reading_from_a_clock_ahead_of_ours_is_not_from_the_future():
    assert text.age(NOW_MS + 60_000, NOW_MS) == "0 s ago"


@pytest.mark.parametrize(
    ("hours", "shown"),
    [
        (0, "17:05"),
        (6, "23:05"),
        (7, "00:05 tomorrow"),
        (-18, "23:05 yesterday"),
        (48, "17:05 on Fri 6 Mar"),
    ],
)
def test_a_time_is_the_sites_own_with_the_day_where_it_is_not_today(hours, shown):
    assert text.clock(NOW_MS + hours * HOUR_MS, LUSAKA, NOW_MS) == shown


def test_the_day_turns_at_the_sites_midnight():
    late = ms_of_iso("2026-03-04T22:30:00Z")
    assert text.clock(late, UTC, NOW_MS) == "22:30"
    assert text.clock(late, LUSAKA, NOW_MS) == "00:30 tomorrow"


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
    found = text.runout_words(runout(), as_of_ms=NOW_MS, zone=LUSAKA, now_ms=late)
    assert found == ("plan on now", "likely now", "")
    charged = runout(reason="charging", if_charging_stops_at=NOW_MS)
    assert text.runout_words(charged, as_of_ms=NOW_MS, zone=LUSAKA, now_ms=late).plan == "plan on now"


@pytest.mark.parametrize("verdict", [Verdict.HOLD, Verdict.DISCARD_ADVISED])
def test_food_beside_medicine_keeps_its_own_word(verdict):
    assert text.word(verdict, ("medicine", "drinks")) == text.MEDICINE_WORD()
    mixed = text.word(verdict, ("medicine", "poultry"))
    assert text.WORDS[verdict] in mixed
    assert "pharmacist" in mixed


def test_minutes_are_told_of_the_limit_that_decides_and_its_side():
    thawed = card("camp-fish", minutes_above=250.0, minutes_worst_case=250.0, decided_c=4.0)
    assert text.above_words(thawed) == "4 h 10 min above 4.0 °C"
    frozen = card(minutes_above=2.0, minutes_worst_case=2.0, decided_c=0.0, decided_below=True)
    assert text.above_words(frozen) == "2 min below 0.0 °C"


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
    shown = text.risk_words(risk, zone=LUSAKA, now_ms=NOW_MS)
    assert shown == "05:35 tomorrow (likely 09:11 tomorrow)"
    assert text.risk_words(risk, zone=LUSAKA, now_ms=risk.from_p10) == "now"
    unknown = FoodAtRisk(holdover_hours=None, from_p10=None, from_p50=None, from_p90=None, limit_c=5.0)
    assert text.risk_words(unknown, zone=LUSAKA, now_ms=NOW_MS) == ""
    assert text.risk_words(None, zone=LUSAKA, now_ms=NOW_MS) == ""


def test_minutes_above_come_with_what_is_unknown():
    found = card(minutes_above=133.0, minutes_unknown=22.0, minutes_worst_case=155.0)
    assert text.above_words(found) == "2 h 13 min above 5.0 °C, 22 min not known, at worst 2 h 35 min"
    assert text.above_words(card()) == "0 min above 5.0 °C"


def test_a_cut_out_is_told_in_a_sentence():
    assert text.cutout_words(CUTOUT, zone=LUSAKA, now_ms=NOW_MS) == (
        "Cut out 12:05 to 15:05, at 10.79 V: wiring: voltage is lost between battery and unit (probable); "
        "3 h 00 min without cooling."
    )
    still = CUTOUT.model_copy(update={"end": None, "voltage_v": None, "certainty": "certain"})
    assert "and has not come back: wiring" in text.cutout_words(still, zone=LUSAKA, now_ms=NOW_MS)


def test_every_cause_has_words_and_something_to_check():
    causes = set(type(CUTOUT).model_fields["cause"].annotation.__args__)
    assert causes == set(text.CAUSES) == set(text.CAUSE_CHECKS)


@pytest.mark.parametrize(
    ("column", "value", "shown"),
    [
        ("cabinet_c", 0.0, "0.0 °C"),
        ("battery_v", 12.345, "12.35 V"),
        ("compressor_on", True, "running"),
        ("compressor_on", 0.0, "not running"),
        ("lid_open", True, "open"),
        ("fault", "low_voltage", "low voltage"),
    ],
)
def test_a_reading_carries_its_unit(column, value, shown):
    assert text.value_words(column, value) == shown


def test_a_reading_is_old_after_half_an_hour_or_three_intervals():
    assert text.past_limit_ms(card(interval_s=60)) == 30 * MINUTE_MS
    assert text.past_limit_ms(card(interval_s=3600)) == 3 * HOUR_MS


@pytest.mark.parametrize(("given", "shown"), [("a b", "A b."), ("Done.", "Done."), ("", ""), ("9 h", "9 h.")])
def test_words_become_a_sentence(given, shown):
    assert text.sentence(given) == shown


def test_the_cautions_are_all_there():
    said = " ".join(text.CAUTIONS)
    for part in (
        "environmental-health officer",
        "prove nothing",
        "When in doubt, discard",
        "licensed",
        "open air",
    ):
        assert part in said
