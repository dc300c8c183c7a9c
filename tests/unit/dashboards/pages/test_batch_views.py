from zoneinfo import ZoneInfo

import pytest

from dashboards.pages.batch_views import (
    action_word,
    batch_view,
    clock_view,
    event_words,
    reason_rows,
    timer_view,
)
from services.domain import BatchEvent, Evidence, Verdict
from services.timebase import HOUR_MS
from tests.helpers.food_cards import batch_clock, food_card, timer
from tests.helpers.larder import NOW_MS, card

LUSAKA = ZoneInfo("Africa/Lusaka")
CABINETS = {"v3-veg": card("v3-veg")}


def view(**changes):
    return batch_view(food_card(**changes), CABINETS, LUSAKA, NOW_MS)


def said(kind, **body):
    return BatchEvent(id=1, batch=1, t=NOW_MS - HOUR_MS, said=NOW_MS, who="Jonas K.", kind=kind, body=body)


def test_a_batch_is_told_in_words():
    found = view(batch={"quantity": 2.5, "supplier": "Farm shop", "vacuum_packed": True})
    assert found.details == "poultry, 2.5 kg, vacuum packed, from Farm shop"
    assert found.where == "in Salad drawer since 12:05"
    assert found.core == "at most 3.4 °C, worked out from the air around it"
    assert (found.word, found.cook, found.law) == ("In order", "cook to 74 °C in the core", "kept")
    assert found.dates == "Use by Fri 6 Mar."
    assert found.computed_word == ""


def test_a_core_temperature_to_reach_is_never_rounded_down():
    assert view(cook_to_c=73.889).cook == "cook to 74 °C in the core"
    assert view(cook_to_c=None).cook == ""


def test_a_core_nobody_knows_is_not_known_and_zero_is_a_temperature():
    assert view(food_c=None, food_basis=None).core == "not known"
    assert view(food_c=0.0, food_basis="probe").core == "at most 0.0 °C, by probe"


def test_where_a_batch_is_follows_what_became_of_it():
    assert view(batch={"place": "out"}).where == "taken out of Salad drawer since 12:05"
    gone = view(batch={"place": "gone", "end": "served"}, standing=Verdict.HOLD)
    assert gone.where == "served since 12:05, last in Salad drawer"
    assert not gone.holdable
    assert "nobody named" in view(batch={"unit": None}).where


def test_minutes_are_told_with_what_is_unknown():
    found = view(minutes_above=30.0, minutes_unknown=20.0, minutes_worst_case=50.0)
    assert found.above == "30 min above its limit, 20 min not known, at worst 50 min"


@pytest.mark.parametrize(
    ("answers", "law"),
    [
        (("yes", "no"), "not kept"),
        (("yes", "unknown"), "not known"),
        (("yes",), "kept"),
        ((None,), "no rule applies"),
    ],
)
def test_the_law_is_kept_only_where_every_rule_says_so(answers, law):
    assert view(clocks=tuple(batch_clock(compliant=a) for a in answers)).law == law


def test_the_worst_of_a_timer_leads():
    found = view(timers=(timer(verdict=Verdict.DISCARD_ADVISED),))
    assert found.word == "Discard advised"
    assert found.computed_word == "In order"


def test_a_timer_says_by_when_in_the_sites_time():
    found = timer_view(timer(), "cooked", LUSAKA, NOW_MS)
    assert (found.what, found.next) == ("Standing out", "By 18:05: use it or chill it again.")
    over = timer("cooling", next_at=None, next_words="nothing more to wait for")
    assert timer_view(over, "cooked", LUSAKA, NOW_MS).next == "Nothing more to wait for."


def test_a_clock_shows_each_thing_it_compared():
    found = clock_view(batch_clock(verdict=Verdict.HOLD), "poultry")
    [row] = found.reasons
    assert (row.quantity, row.value, row.operator, row.threshold, row.unit, row.met) == (
        "minutes worst case",
        "0.0",
        "<",
        "120.0",
        "min",
        "yes",
    )
    assert (found.law, found.verdict) == ("kept", "Hold \N{EN DASH} do not serve")


def test_one_clock_never_says_the_cabinet_is_cold():
    assert action_word(Verdict.OK, ()) == "nothing to do"
    assert action_word(Verdict.HOLD, ()).startswith("Hold")
    assert action_word(None, ()) == "\N{EN DASH}"


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (
            said("loaded", unit="v3-veg", core_c=3.0),
            "Jonas K. (not verified): put in, into Salad drawer, core 3.0 °C.",
        ),
        (said("moved", unit="v3-veg", frozen=False), "Jonas K. (not verified): moved, into Salad drawer."),
        (said("probed", probe_c=0.0, note="thigh"), "Jonas K. (not verified): probed, probe 0.0 °C. thigh"),
        (
            said("hold_closed", probe_c=3.4, disposition="kept", reason="cold within the hour"),
            "Jonas K. (not verified): closed the hold, kept, probe 3.4 °C. cold within the hour",
        ),
        (
            said("probed", probe_c=-2.0, ice=True),
            "Jonas K. (not verified): probed, probe \N{MINUS SIGN}2.0 °C, ice seen in it.",
        ),
        (said("taken_out", time_control="4h"), "Jonas K. (not verified): taken out, by time alone, 4 h."),
        (said("corrected", event=7, withdrawn=True), "Jonas K. (not verified): corrected, line 7 withdrawn."),
        (said("corrected", what="Trout"), "Jonas K. (not verified): corrected, it is Trout."),
        (said("corrected", use_by="2026-03-06"), "Jonas K. (not verified): corrected, use by 2026-03-06."),
    ],
)
def test_what_was_said_is_told_in_a_sentence(event, words):
    assert event_words(event, {"v3-veg": "Salad drawer"}) == words


@pytest.mark.parametrize(
    "changes",
    [{"standing": v} for v in (Verdict.NO_DATA, Verdict.HOLD, Verdict.DISCARD_ADVISED)] + [{"dates": "past"}],
)
def test_what_may_not_be_used_bears_no_mark_of_order_and_no_core_to_reach(changes):
    found = view(**changes)
    assert found.mark in {"no_data", "hold", "discard_advised"}
    assert found.cook == found.cook_why == found.first_why == ""


def test_what_is_ready_to_eat_says_so():
    assert view(batch={"ready_to_eat": True}).cook == "ready to eat"


def test_food_past_its_date_is_never_called_in_order():
    assert view(dates="past").word == "Past its last day"
    assert view(dates="past", standing=Verdict.HOLD).word == "Hold \N{EN DASH} do not serve"


def test_medicine_in_order_bears_the_mark_of_it():
    found = view(batch={"food_class": "medicine"})
    assert (found.word, found.mark, found.usable) == ("In order", "ok", False)


def test_a_list_gives_the_first_two_reasons_and_the_page_all():
    found = view(use_first_why="aged like 0.2 days; chart: 1-2 days; 5 days left; ready to eat")
    assert found.first_short == "Aged like 0.2 days; chart: 1-2 days."
    assert found.first_why == "Aged like 0.2 days; chart: 1-2 days; 5 days left; ready to eat."


@pytest.mark.parametrize(
    ("operator", "at_it", "beyond"),
    [("<", "no", "no"), ("<=", "yes", "no"), (">", "no", "yes"), (">=", "yes", "yes")],
)
def test_each_row_says_whether_its_comparison_holds(operator, at_it, beyond):
    def row(value):
        found = Evidence(
            quantity="minutes", value=value, operator=operator, threshold=120.0, unit="min", source="demo"
        )
        return reason_rows((found,))[0].met

    assert (row(120.0), row(120.1)) == (at_it, beyond)
