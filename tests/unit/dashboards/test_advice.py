import pytest

from dashboards.advice import batch_steps, steps
from dashboards.places import Larder, Place
from services.domain import Verdict
from services.timebase import HOUR_MS
from tests.helpers.food_cards import food_card, timer
from tests.helpers.larder import NOW_MS, card, runout

CALM = runout(hours_p10=50.0, lasts_until=())


NOWHERE = Larder(cards=())
COLD = Place(unit="v3-veg", name="Salad drawer", reading_c=2.0, lasts=True, room_kg=None, apart="")


def test_a_hold_says_where_it_is_cold():
    hold = card("v3-meat", standing=Verdict.HOLD)
    there = Larder(cards=(hold, card("v3-veg", name="Cold side", runout=CALM)))
    assert any("Cold now: Cold side." in step for step in steps(hold, there))
    assert any("use ice" in step for step in steps(hold, NOWHERE))


def test_a_cabinet_with_one_bad_batch_is_not_condemned_whole():
    said = " ".join(steps(card(own_standing=Verdict.OK, standing=Verdict.DISCARD_ADVISED), NOWHERE))
    assert "its own page says what to do" in said
    assert "Then close the hold" not in said
    own = " ".join(steps(card(own_standing=Verdict.HOLD, standing=Verdict.DISCARD_ADVISED), NOWHERE))
    assert "Cooking does not mend it" in own


@pytest.mark.parametrize("verdict", [Verdict.HOLD, Verdict.DISCARD_ADVISED])
def test_food_beside_medicine_is_spoken_of_too(verdict):
    said = " ".join(steps(card(standing=verdict, classes=("medicine", "poultry")), NOWHERE))
    assert "pharmacist" in said
    assert "All other food: do not cook" in said


@pytest.mark.parametrize("standing", [Verdict.OK, Verdict.NO_DATA])
def test_a_cabinet_not_in_use_offers_no_food(standing):
    said = " ".join(steps(card(state="off", standing=standing), NOWHERE))
    assert "Nothing to do" not in said
    assert "nothing in it is judged" in said


@pytest.mark.parametrize("verdict", list(Verdict))
def test_every_verdict_comes_with_something_to_do(verdict):
    assert steps(card(standing=verdict, runout=CALM), NOWHERE)


def test_discard_advised_never_offers_the_fire():
    said = " ".join(steps(card(standing=Verdict.DISCARD_ADVISED), NOWHERE)).lower()
    assert "cooking does not mend it" in said
    assert "no animal or person gets it" in said


@pytest.mark.parametrize("verdict", [Verdict.HOLD, Verdict.DISCARD_ADVISED])
def test_medicine_is_kept_cold_and_asked_about(verdict):
    said = " ".join(steps(card(standing=verdict, classes=("medicine",)), NOWHERE)).lower()
    assert "quarantine" in said
    assert "pharmacist" in said
    assert "discard it" not in said


def test_a_cabinet_that_cut_out_is_charged_in_the_open_air():
    for verdict in (Verdict.OK, Verdict.WATCH, Verdict.NO_DATA, Verdict.HOLD):
        said = " ".join(steps(card(standing=verdict, cut_out_now=True), NOWHERE))
        assert "open air" in said, verdict
        assert "lid shut" in said, verdict


def test_a_cold_cabinet_whose_battery_will_not_last_says_charge():
    assert steps(card(runout=runout()), NOWHERE) != steps(card(runout=CALM), NOWHERE)
    assert "Charge the battery" in steps(card(runout=runout()), NOWHERE)[0]


def test_a_silent_cabinet_is_looked_at_first():
    silent = card(standing=Verdict.HOLD, observed_at=NOW_MS - 2 * HOUR_MS)
    assert any("Go and look" in step for step in steps(silent, NOWHERE))
    assert "Go and look" in steps(card(standing=Verdict.NO_DATA), NOWHERE)[0]
    waiting = card(standing=Verdict.NO_DATA, backlog_expected=True)
    assert "on their way" in steps(waiting, NOWHERE)[0]


@pytest.mark.parametrize("verdict", list(Verdict))
def test_every_batch_comes_with_something_to_do(verdict):
    said = " ".join(batch_steps(food_card(standing=verdict), verdict, [COLD]))
    assert said
    offered = "Cook to" in said
    assert offered is (verdict.rank < Verdict.NO_DATA.rank)


def test_a_batch_is_cooked_to_a_core_temperature_that_is_told():
    assert "74 °C in the core" in batch_steps(food_card(), Verdict.OK, [])[0]
    ready = food_card(
        batch={"ready_to_eat": True, "food_class": "cooked"}, cook_to_c=None, cook_to_why="eaten as it is"
    )
    assert batch_steps(ready, Verdict.OK, []) == ["Eaten as it is."]


def test_food_standing_out_is_not_sent_to_another_cabinet():
    out = food_card(batch={"place": "out"})
    [only] = batch_steps(out, Verdict.WATCH, [COLD])
    assert "It stands out" in only


def test_medicine_in_order_is_kept_cold_and_nothing_else():
    for verdict in (Verdict.OK, Verdict.WATCH):
        steps_now = batch_steps(food_card(batch={"food_class": "medicine"}), verdict, [COLD])
        assert steps_now == ["Keep it at 2 °C to 8 °C."]


@pytest.mark.parametrize("verdict", [Verdict.HOLD, Verdict.DISCARD_ADVISED])
def test_a_batch_of_medicine_is_never_thrown_away_on_our_word(verdict):
    said = " ".join(batch_steps(food_card(batch={"food_class": "medicine"}), verdict, [])).lower()
    assert "pharmacist" in said
    assert "discard it" not in said


def test_a_held_batch_is_set_apart_measured_and_moved_where_it_is_cold():
    said = " ".join(batch_steps(food_card(), Verdict.HOLD, [COLD]))
    assert "Cold now: Salad drawer." in said
    assert "clean it again between packs" in said


def test_what_is_past_its_date_is_discarded_and_not_cooked():
    said = " ".join(batch_steps(food_card(dates="past"), Verdict.OK, []))
    assert "Do not cook or serve it." in said
    assert "Cook to" not in said


def test_there_is_nothing_to_do_with_what_is_gone():
    assert batch_steps(food_card(batch={"place": "gone"}), Verdict.HOLD, []) == []


def test_a_buffet_dish_at_two_hours_is_decided_by_the_manager_and_never_chilled_again():
    out = food_card(batch={"place": "out"}, timers=(timer(verdict=Verdict.HOLD),))
    said = " ".join(batch_steps(out, Verdict.HOLD, [COLD]))
    assert "may not go back into the cold" in said
    assert "ask the manager" in said
    assert "Cold now" not in said
    late = food_card(batch={"place": "out"}, timers=(timer(verdict=Verdict.DISCARD_ADVISED),))
    assert "Cooking does not mend it" in batch_steps(late, Verdict.DISCARD_ADVISED, [])[0]


def test_a_batch_to_watch_asks_nothing_of_a_cold_cabinet():
    cold = card(own_standing=Verdict.OK, standing=Verdict.WATCH, runout=CALM)
    assert steps(cold, NOWHERE) == ["Nothing to do. Open it seldom, shut it fast."]
    warm = card(own_standing=Verdict.WATCH, standing=Verdict.WATCH, runout=CALM)
    assert "check that it runs" in steps(warm, NOWHERE)[0]


def test_leftovers_that_cool_are_cooled_fast_and_probed_in_time():
    cooling = food_card(timers=(timer("cooling"),), standing=Verdict.WATCH)
    [only] = batch_steps(cooling, Verdict.WATCH, [COLD])
    assert "in ice" in only
