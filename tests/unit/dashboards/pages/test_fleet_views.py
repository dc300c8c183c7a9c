from dashboards.pages.fleet_views import FOLDED_ABOVE, call_of, headline, places_of
from dashboards.urgency import Need, Placed, in_order
from services.domain import Verdict
from tests.helpers.larder import NO_BATTERY, NOW_MS, card, cards


def rest_of(found):
    return [placed for placed in in_order(found) if not placed.need.needs_somebody]


def test_every_cabinet_stands_in_exactly_one_list():
    placed = in_order(cards())
    calls = [call_of(each, NOW_MS).card.unit for each in placed if each.need.needs_somebody]
    places = places_of(rest_of(cards()), NOW_MS)
    assert sorted(calls + [row.unit for place in places for row in place.rows]) == sorted(
        each.unit for each in cards()
    )
    assert calls[0] == "v3-meat"


def test_a_call_says_who_by_when_and_what():
    call = call_of(Placed(Need.HOLD, cards()[0]), NOW_MS)
    assert (call.who, call.by) == ("cook, then you", "now")
    assert call.task.startswith("Have the warmest pack probed")
    assert (call.mark, call.word, call.food) == ("hold", "Hold \N{EN DASH} do not serve", "")


def test_a_cold_cabinet_whose_battery_fails_does_not_look_cold():
    call = call_of(Placed(Need.BATTERY, card("v3-veg")), NOW_MS)
    assert (call.mark, call.word, call.food) == ("watch", "Battery will not last", "food so far: cold")


def test_a_place_with_something_to_watch_comes_before_one_that_is_only_cold():
    watch = card("v3-veg", standing=Verdict.WATCH, runout=NO_BATTERY)
    cold = card("camp-fish", runout=NO_BATTERY)
    empty = card("camp-milk", state="empty", runout=NO_BATTERY)
    places = places_of(rest_of([cold, empty, watch]), NOW_MS)
    assert [(place.name, place.summary) for place in places] == [
        ("Vehicle 3", "1 to watch"),
        ("River camp", "1 cold, 1 not in use"),
    ]
    assert all(place.open for place in places)


def test_a_big_fleet_folds_places_with_nothing_to_watch():
    many = [
        card("camp-fish", runout=NO_BATTERY).model_copy(update={"unit": f"unit-{n:03d}"})
        for n in range(FOLDED_ABOVE)
    ]
    watch = card("v3-veg", standing=Verdict.WATCH, runout=NO_BATTERY)
    assert [place.open for place in places_of(rest_of([*many, watch]), NOW_MS)] == [True, False]


def test_the_sentence_on_top_counts_what_nobody_judged():
    assert headline(0, 5, 0) == "Nobody is needed now at 5 cabinets."
    assert headline(1, 5, 2) == "1 of 7 needs somebody now. Of 2 nothing is known yet."
    assert headline(0, 0, 0).startswith("No cabinet has been added yet.")
