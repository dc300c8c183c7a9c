import pytest

from dashboards.nightwords import BAD, answer_of
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
