from itertools import product

import pytest

from dashboards.kitchen import by_unit, short_of, sorted_kitchen, standing, why_not
from dashboards.places import own_standing
from services.domain import Verdict
from services.timebase import HOUR_MS
from tests.helpers.food_cards import food_card, timer
from tests.helpers.larder import NOW_MS, card

COLD = card("v3-veg")
CLASSES = ("poultry", "cooked", "medicine", "drinks")


def used(found, cabinets=(COLD,)):
    return [c.batch.id for c in sorted_kitchen(found, cabinets).use]


def told(found, cabinets=(COLD,)):
    return [(c.batch.id, why) for c, why in sorted_kitchen(found, cabinets).leave]


def test_food_in_order_may_be_used():
    assert used([food_card()]) == [1]
    assert used([food_card(standing=Verdict.WATCH, computed=Verdict.WATCH)]) == [1]


@pytest.mark.parametrize("verdict", [Verdict.NO_DATA, Verdict.HOLD, Verdict.DISCARD_ADVISED])
@pytest.mark.parametrize("which", ["standing", "computed", "timer"])
def test_nothing_unknown_held_or_condemned_is_ever_offered(verdict, which):
    bad = food_card(timers=(timer(verdict=verdict),)) if which == "timer" else food_card(**{which: verdict})
    assert used([bad]) == []
    [(number, why)] = told([bad])
    assert number == 1
    assert why.split(":")[0] in {
        "Not known",
        "Hold \N{EN DASH} do not serve",
        "Discard advised",
    }


def test_what_is_past_its_date_is_told_of_and_never_offered():
    past = food_card(dates="past", dates_why="use by Mon 2 Mar")
    assert used([past]) == []
    assert told([past]) == [(1, "Past its last day: use by Mon 2 Mar")]


@pytest.mark.parametrize("verdict", list(Verdict))
def test_medicine_is_never_offered_as_food(verdict):
    medicine = food_card(batch={"food_class": "medicine"}, standing=verdict, computed=verdict)
    assert used([medicine]) == []
    words = [why for _, why in told([medicine])]
    assert words == (
        ["Quarantine \N{EN DASH} ask the pharmacist"] if verdict.rank >= Verdict.HOLD.rank else []
    )


@pytest.mark.parametrize(
    ("cabinet", "why"),
    [
        (None, "nothing is known of its cabinet"),
        (card("v3-veg", standing=Verdict.NO_DATA), "Not known"),
        (card("v3-veg", own_standing=Verdict.OK, computed=Verdict.NO_DATA), "Not known"),
        (card("v3-veg", standing=Verdict.HOLD), "Hold"),
        (card("v3-veg", state="off"), "switched off"),
    ],
    ids=["unheard", "no data", "lapsed", "hold", "off"],
)
def test_nothing_is_offered_from_a_cabinet_nobody_vouches_for(cabinet, why):
    cabinets = [] if cabinet is None else [cabinet]
    assert used([food_card()], cabinets) == []
    assert why in told([food_card()], cabinets)[0][1]


def test_over_all_that_can_be_said_only_the_unobjectionable_is_offered():
    """Every combination of verdicts, dates, place, class and state of the cabinet."""
    verdicts, offered = list(Verdict), 0
    cabinets = [
        None,
        *(card("v3-veg", own_standing=own, standing=Verdict.HOLD) for own in verdicts),
        *(card("v3-veg", computed=computed) for computed in verdicts),
        card("v3-veg", state="off"),
    ]
    many = product(verdicts, verdicts, ("none", "last_day", "past"), ("stored", "out", "gone"), CLASSES)
    for stands, computed, dates, place, food_class in many:
        found = food_card(
            batch={"place": place, "food_class": food_class},
            standing=stands,
            computed=computed,
            dates=dates,
        )
        for cabinet in cabinets:
            use = sorted_kitchen([found], [] if cabinet is None else [cabinet]).use
            offered += len(use)
            if not use:
                continue
            assert max(stands.rank, computed.rank) < Verdict.NO_DATA.rank
            assert (dates != "past", place) == (True, "stored")
            assert food_class not in {"medicine", "drinks"}
            assert cabinet is not None
            assert cabinet.state == "in_use"
            assert own_standing(cabinet).rank < Verdict.NO_DATA.rank
    assert offered == 4 * 2 * 2 * 4


def test_one_held_batch_does_not_condemn_its_neighbours():
    cabinet = card("v3-veg", own_standing=Verdict.OK, standing=Verdict.HOLD)
    held = food_card(2, standing=Verdict.HOLD)
    assert used([food_card(), held], [cabinet]) == [1]
    assert [number for number, _ in told([food_card(), held], [cabinet])] == [2]


def test_what_goes_off_first_is_used_first_and_the_last_day_before_all():
    found = [
        food_card(1, use_first=0.1),
        food_card(2, use_first=0.9),
        food_card(3, use_first=0.2, dates="last_day"),
    ]
    assert used(found) == [3, 2, 1]


def test_food_standing_out_has_a_timer_and_is_not_listed_for_the_fire():
    out = food_card(batch={"place": "out"}, timers=(timer(next_at=NOW_MS + 2 * HOUR_MS),))
    soon = food_card(2, batch={"place": "out"}, timers=(timer(next_at=NOW_MS + HOUR_MS),))
    kitchen = sorted_kitchen([out, soon], [COLD])
    assert kitchen.use == kitchen.leave == ()
    assert [c.batch.id for c in kitchen.running] == [2, 1]


def test_food_that_stood_out_too_long_is_told_of_first():
    late = food_card(batch={"place": "out"}, timers=(timer(verdict=Verdict.DISCARD_ADVISED, why="4 h out"),))
    kitchen = sorted_kitchen([food_card(2, dates="past"), late], [COLD])
    assert kitchen.running == ()
    assert next((c.batch.id, why) for c, why in kitchen.leave) == (
        1,
        "Discard advised: 4 h out; cooking does not mend it",
    )


def test_what_is_gone_is_nowhere():
    gone = food_card(batch={"place": "gone", "end": "served"}, standing=Verdict.HOLD)
    kitchen = sorted_kitchen([gone], [COLD])
    assert kitchen.use == kitchen.leave == kitchen.running == ()
    assert why_not(food_card(batch={"place": "gone"}), COLD) == "Gone"


def test_cabinets_nobody_wrote_food_down_for_are_open_or_shut():
    cabinets = [
        card("v3-veg"),
        card("v3-meat", standing=Verdict.DISCARD_ADVISED),
        card("camp-milk", standing=Verdict.NO_DATA),
        card("camp-fish", state="off", standing=Verdict.NO_DATA),
        card("camp-new", classes=("medicine",)),
    ]
    kitchen = sorted_kitchen([], cabinets)
    assert [c.unit for c in kitchen.open_cabinets] == ["v3-veg"]
    assert [c.unit for c in kitchen.shut_cabinets] == ["v3-meat", "camp-milk"]
    assert sorted_kitchen([food_card()], cabinets).open_cabinets == ()


def test_the_worst_that_is_said_anywhere_counts():
    assert standing(food_card(timers=(timer(verdict=Verdict.HOLD),))) is Verdict.HOLD


def test_a_cabinet_tells_of_its_batches_in_short():
    assert short_of([]) == ""
    assert short_of([food_card()]) == "1 batch written down"
    words = short_of([food_card(), food_card(2, batch={"what": "Mince"}, standing=Verdict.HOLD)])
    assert words == "2 batches written down; Mince: Hold \N{EN DASH} do not serve"
    assert list(by_unit([food_card(), food_card(2, batch={"place": "out"})])) == ["v3-veg"]


def test_thawing_that_nobody_measures_is_a_reminder_and_no_verdict():
    quiet = food_card(timers=(timer("thawing", verdict=Verdict.NO_DATA),))
    assert standing(quiet) is Verdict.OK
    assert standing(food_card(timers=(timer("thawing", verdict=Verdict.HOLD),))) is Verdict.HOLD
    assert standing(food_card(timers=(timer("cooling", verdict=Verdict.NO_DATA),))) is Verdict.NO_DATA
