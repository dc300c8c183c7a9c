from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from dashboards import text
from dashboards.language import Reader, read_by
from services.domain import Verdict
from services.timebase import HOUR_MS, MINUTE_MS, ms_of_iso
from tests.helpers.larder import CUTOUT, NOW_MS, card

LUSAKA = ZoneInfo("Africa/Lusaka")


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


@pytest.mark.parametrize("verdict", [Verdict.HOLD, Verdict.DISCARD_ADVISED])
def test_food_beside_medicine_keeps_its_own_word(verdict):
    assert text.word(verdict, ("medicine", "drinks")) == text.MEDICINE_WORD()
    mixed = text.word(verdict, ("medicine", "poultry"))
    assert text.WORDS[verdict] in mixed
    assert "pharmacist" in mixed


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


def test_sentences_of_services_are_told_in_the_scale_of_the_reader():
    told = "cabinet above 5 °C for 20 min; keep it at 2 to 8 °C, frozen at \N{MINUS SIGN}18 °C; 4.5 K warmer"
    assert text.sentence(told) == f"Cabinet{told[7:]}."
    with read_by(Reader("en", "f")):
        assert text.sentence(told) == (
            "Cabinet above 41 °F for 20 min; keep it at 35.6 to 46.4 °F, frozen at \N{MINUS SIGN}0.4 °F; "
            "8.1 °F warmer."
        )
        assert text.degrees(4.0) == "39.2 °F"
        assert text.difference(1.0) == "1.8 °F"
    with read_by(Reader("pt", "f")):
        assert text.in_reader_scale("acima de 4 °C") == "acima de 39,2 °F"


def test_sentences_of_a_service_name_rule_sets_and_set_shares_apart():
    assert text.sentence("about 22% left (uk-8c)") == "About 22 % left (UK chill rule)."
    assert text.share(0.215) == "22 %"
