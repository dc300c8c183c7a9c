from datetime import time

import pytest

from dashboards import text
from dashboards.nightwords import BAD, answer_of, generator_words, next_at, why_different
from dashboards.pages.tonight import headline, nights
from services.domain import LastsUntil, Move, UsualCharging
from services.timebase import HOUR_MS
from tests.helpers.larder import NO_BATTERY, NOW_MS, card, fleet, runout


def dawn(chance):
    return (LastsUntil(at=NOW_MS + 12 * HOUR_MS, name="dawn", chance=chance),)


def silent(**changes):
    reasons = {f"hours_{q}_reason": "why" for q in ("p10", "p50", "p90")}
    return runout(hours_p10=None, hours_p50=None, hours_p90=None, lasts_until=(), **reasons, **changes)


@pytest.mark.parametrize(
    ("changes", "answer"),
    [
        ({"runout": runout(lasts_until=dawn(0.97))}, "yes"),
        ({"runout": runout(lasts_until=dawn(0.97), reason="charging")}, "charging"),
        ({"runout": runout(lasts_until=dawn(0.7))}, "perhaps"),
        ({"runout": runout(lasts_until=dawn(0.2))}, "no"),
        ({"runout": runout(lasts_until=dawn(0.2), reason="charging")}, "no"),
        ({"runout": silent(reason="not_enough_data")}, "unknown"),
        ({"runout": silent(reason="beyond_horizon")}, "yes"),
        ({"runout": silent(reason="charging")}, "charging"),
        ({"runout": silent(reason="discharging")}, "unknown"),
        ({"runout": runout(lasts_until=(), hours_p10=5.0, hours_p50=9.0)}, "no"),
        ({"runout": runout(lasts_until=(), hours_p10=5.0, hours_p50=19.0)}, "perhaps"),
        ({"runout": runout(lasts_until=(), hours_p10=15.0)}, "yes"),
        ({"runout": runout(lasts_until=dawn(0.97)), "cut_out_now": True}, "stopped"),
        ({"runout": runout(lasts_until=dawn(0.97)), "observed_at": NOW_MS - 2 * HOUR_MS}, "unknown"),
        ({"runout": runout(lasts_until=dawn(0.2)), "observed_at": NOW_MS - 2 * HOUR_MS}, "no"),
        ({"runout": runout(lasts_until=dawn(0.97)), "observed_at": None}, "unknown"),
    ],
)
def test_the_answer_is_the_worst_that_can_be_said(changes, answer):
    assert answer_of(card("v3-meat", **changes), NOW_MS) == answer


def test_cabinets_on_one_bank_are_folded_and_the_worst_speaks():
    pair = [
        card("v3-veg", runout=runout(lasts_until=dawn(0.99), hours_p10=30.0)),
        card("v3-meat", runout=runout(lasts_until=dawn(0.3), hours_p10=4.0)),
    ]
    (found,) = nights(pair, fleet(), NOW_MS)
    assert [unit.unit for unit in found.units] == ["v3-meat", "v3-veg"]
    assert found.word == "Will not last"
    assert found.plan == "plan on 21:05"
    assert found.bank == "bank v3-aux, 100 Ah, 12 V AGM"


def test_the_usual_charging_is_told_beside_the_plan_and_never_leads_it():
    usual = UsualCharging(ah_per_day=30.0, days_seen=6, hours_p10=40.0, hours_p50=60.0, hours_p90=90.0,
                          chance_of_a_week=0.4)  # fmt: skip
    week = usual.model_copy(update={"hours_p10": None, "hours_p10_reason": "more than 168 h"})
    for habit, words in ((usual, "plan on 09:05 on Fri 6 Mar"), (week, "more than 7 days")):
        own = runout(lasts_until=dawn(0.3), usual_charging=habit)
        (found,) = nights([card("v3-meat", runout=own)], fleet(), NOW_MS)
        assert found.units[0].chances[-1] == f"with its usual charging: {words}"
        assert found.word == "Will not last"


@pytest.mark.parametrize(("later_h", "late"), [(-0.02, True), (0.05, True), (0.2, False)])
def test_usual_charging_that_comes_after_the_stop_is_said_to_come_too_late(later_h, late):
    habit = UsualCharging(ah_per_day=30.0, days_seen=6, hours_p10=4.0 + later_h, hours_p50=60.0,
                          hours_p90=90.0, chance_of_a_week=0.1)  # fmt: skip
    own = runout(lasts_until=dawn(0.3), hours_p10=4.0, usual_charging=habit)
    (found,) = nights([card("v3-meat", runout=own)], fleet(), NOW_MS)
    words = (
        "its usual charging comes too late to move that" if late else "with its usual charging: plan on 21:17"
    )
    assert found.units[0].chances[-1] == words


def test_the_bank_that_gives_way_first_is_on_top_and_mains_are_left_out():
    cards = [
        card("camp-milk", runout=runout(lasts_until=dawn(0.97))),
        card("v3-meat", runout=runout(lasts_until=dawn(0.3))),
        card("camp-fish", runout=NO_BATTERY),
        card("v3-veg", state="off"),
    ]
    found = nights(cards, fleet(), NOW_MS)
    assert [night.title for night in found] == ["Meat chest", "Milk fridge"]
    assert headline(found) == "1 of 2 banks may not last the night."
    assert headline([]) == "No cabinet in use runs on a battery."


def test_what_to_do_names_moves_of_the_worst_and_an_engine_that_may_not_start():
    first = runout(
        lasts_until=dawn(0.3),
        engine_may_not_start=NOW_MS + 2 * HOUR_MS,
        moves=(
            Move(action="charge", amount=60, unit="min", gain_hours=5.0),
            Move(action="set_point", amount=1, unit="K", gain_hours=-1.0),
        ),
    )
    (found,) = nights([card("v3-meat", runout=first)], fleet(), NOW_MS)
    assert found.engine == "19:05"
    assert found.todo[0] == "Start the engine before 19:05."
    assert "gains 5.0 h" in found.todo[1]
    assert len(found.todo) == 2


def test_a_bank_without_moves_still_hears_to_charge_and_to_mind_the_exhaust():
    (found,) = nights([card("v3-meat", runout=runout(lasts_until=dawn(0.3), moves=()))], fleet(), NOW_MS)
    assert "exhaust kills" in found.todo[0]


def test_nothing_is_asked_where_it_lasts_and_somebody_is_sent_where_nothing_is_known():
    (well,) = nights([card("v3-meat", runout=runout(lasts_until=dawn(0.99)))], fleet(), NOW_MS)
    assert well.todo == ()
    (dark,) = nights([card("v3-meat", observed_at=None)], fleet(), NOW_MS)
    assert dark.todo[0].startswith("Go and look")
    assert headline([dark]).endswith("Of 1 nothing can be said.")
    assert "unknown" not in BAD


def test_a_stopped_cabinet_is_never_told_to_start_charging_twice():
    stopped = card("v3-meat", cut_out_now=True, runout=runout(lasts_until=dawn(0.3), moves=()))
    (found,) = nights([stopped], fleet(), NOW_MS)
    assert found.todo == (
        "It has stopped cooling. Keep the lid shut, charge the bank, and measure the warmest food.",
    )


LASTS = tuple(2.0 * k for k in range(1, 22))
"""Half likely to last 22 h."""


@pytest.mark.parametrize(
    ("at", "answer", "word"),
    [
        (time(17, 30), "yes", "Lasts until 17:30"),
        (time(5, 0), "perhaps", "May not last until 05:00"),
        (time(17, 5), "no", "Will not last until 17:05"),
    ],
)
def test_a_time_asked_for_is_the_next_one_on_the_clocks_of_the_place(at, answer, word):
    own = card("v3-meat", runout=runout(lasts_hours=LASTS, lasts_until=dawn(0.97)))
    assert answer_of(own, NOW_MS, at) == answer
    (found,) = nights([own], fleet(), NOW_MS, at)
    assert found.word == word
    assert found.units[0].chances[0].startswith(f"to the time asked for, {at:%H:%M}")
    assert headline([found], at) == (
        f"No bank of 1 is forecast to fail before {at:%H:%M}."
        if answer == "yes"
        else f"1 of 1 bank may not last until {at:%H:%M}."
    )


def test_silence_and_a_forecast_without_hours_answer_no_question():
    plain = card("v3-meat", runout=runout(lasts_hours=()))
    assert answer_of(plain, NOW_MS, time(18, 0)) == "unknown"
    quiet = card("v3-meat", runout=runout(lasts_hours=LASTS), observed_at=NOW_MS - 2 * HOUR_MS)
    assert answer_of(quiet, NOW_MS, time(18, 0)) == "unknown"
    assert answer_of(quiet, NOW_MS, time(17, 0)) == "no"


def test_the_next_time_lies_ahead_and_less_than_a_day_away():
    zone = text.zone_of(card("v3-meat"))
    for hour in range(24):
        ahead_ms = next_at(time(hour, 5), zone, NOW_MS) - NOW_MS
        assert 0 < ahead_ms <= 24 * HOUR_MS
        assert ahead_ms % HOUR_MS == 0


def test_cabinets_of_one_bank_that_differ_say_why():
    pair = [
        card("v3-meat", runout=runout(lasts_until=dawn(0.3), hours_p10=4.0)),
        card("v3-veg", runout=runout(lasts_until=dawn(0.99), hours_p10=30.0)),
    ]
    (found,) = nights(pair, fleet(), NOW_MS)
    assert "at its own cut-out voltage, at the end of its own cable" in found.why
    told = why_different([("A", 0.0), ("B", 5.0 * HOUR_MS)], {"A": 11.4, "B": 10.8})
    assert "(A at 11.4 V, B at 10.8 V)" in told
    assert why_different([("A", 0.0), ("B", 0.4 * HOUR_MS)], {}) == ""
    assert why_different([("A", float("inf")), ("B", float("inf"))], {}) == ""
    assert why_different([("A", 0.0), ("B", float("inf"))], {}) != ""


@pytest.mark.parametrize(
    ("supply", "words"),
    [
        ("generator", "runs from the generator until 21:05, as usual"),
        ("solar", "the sun charges it until 21:05, as usual"),
        (None, "charges until 21:05, as usual"),
    ],
)
def test_what_feeds_a_bank_now_is_named_with_its_usual_end(supply, words):
    own = card(
        "v3-meat",
        runout=runout(reason="charging", if_charging_stops_at=NOW_MS + 4 * HOUR_MS),
        latest={} if supply is None else {"supply": supply},
    )
    assert nights([own], fleet(), NOW_MS)[0].units[0].note == words
    now = runout(reason="charging", if_charging_stops_at=NOW_MS)
    assert nights([card("v3-meat", runout=now)], fleet(), NOW_MS)[0].units[0].note == "if charging stops now"


def test_a_cabinet_on_a_generator_is_told_with_the_hours_its_food_stays_cold():
    risk = runout().food_at_risk
    own = card("camp-fish", runout=NO_BATTERY.model_copy(update={"food_at_risk": risk}))
    assert generator_words(own, NOW_MS) == (
        "Runs as long as the generator does; without it plan on 3 h until the food is at 5.0 °C (likely 4 h)."
    )
    assert (
        "stands without supply now"
        in generator_words(own.model_copy(update={"cut_out_now": True}), NOW_MS).lower()
    )
    quiet = own.model_copy(update={"observed_at": NOW_MS - 5 * HOUR_MS})
    assert "how it is now is not known" in generator_words(quiet, NOW_MS)
    bare = card("camp-fish", runout=NO_BATTERY)
    assert "how long its food stays cold without it is not known" in generator_words(bare, NOW_MS)


def test_moments_it_is_nearly_certain_to_reach_are_told_in_one_line():
    both = (
        LastsUntil(at=NOW_MS + 12 * HOUR_MS, name="dawn", chance=0.99),
        LastsUntil(at=NOW_MS + 14 * HOUR_MS, name="next drive", chance=0.985),
    )
    (found,) = nights([card("v3-meat", runout=runout(lasts_until=both))], fleet(), NOW_MS)
    assert found.units[0].chances == (
        "nearly certain to reach dawn (05:05 tomorrow) and next drive (07:05 tomorrow)",
    )
