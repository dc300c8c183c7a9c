import pytest

from dashboards.lost import Thrown, by_place, lost, needs
from services.domain import Verdict
from services.timebase import HOUR_MS
from tests.helpers.food_cards import food_card
from tests.helpers.larder import NOW_MS, card, fleet


def thrown(number, what, food_class, quantity, **more):
    measure, unit, hours = (more.get(k, d) for k, d in (("measure", "kg"), ("unit", "v3-veg"), ("hours", 1)))
    return food_card(
        number,
        batch={
            "id": number,
            "what": what,
            "food_class": food_class,
            "quantity": quantity,
            "quantity_unit": measure,
            "unit": unit,
            "place": "gone",
            "end": "discarded",
            "since": NOW_MS - hours * HOUR_MS,
        },
    )


def test_what_was_thrown_away_is_added_up_by_class_and_measure():
    gone = [
        thrown(1, "Steaks", "red_meat", 2.5),
        thrown(2, "Roast", "red_meat", 4.0),
        thrown(3, "Chops", "red_meat", None),
        thrown(4, "Milk", "milk", 6.0, measure="l"),
    ]
    found = needs(lost(gone, [], [], []))
    assert [(n.food_class, n.quantity, n.quantity_unit, n.uncounted) for n in found] == [
        ("milk", 6.0, "l", 0),
        ("red_meat", 0.0, "", 1),
        ("red_meat", 6.5, "kg", 0),
    ]


def test_what_is_held_is_listed_and_not_yet_asked_for():
    held = food_card(7, standing=Verdict.HOLD)
    found = lost([], [held, food_card(8)], [], [])
    assert [(each.fate, each.batch) for each in found] == [("held", 7)]
    assert needs(found) == []


def test_food_nobody_wrote_down_is_a_line_without_an_amount():
    cabinet = card("v3-meat", standing=Verdict.HOLD, batches=0)
    listed = card("v3-veg", standing=Verdict.HOLD, batches=2)
    found = lost([], [], [Thrown("camp-milk", NOW_MS)], [cabinet, listed])
    assert {(each.fate, each.unit, each.what) for each in found} == {
        ("discarded", "camp-milk", ""),
        ("held", "v3-meat", ""),
    }
    assert needs(found)[0].uncounted == 1


def test_a_cabinet_thrown_away_with_its_batches_is_not_counted_twice():
    gone = thrown(1, "Steaks", "red_meat", 2.5, unit="v3-meat", hours=0)
    assert len(lost([gone], [], [Thrown("v3-meat", NOW_MS)], [])) == 1
    assert len(lost([gone], [], [Thrown("v3-meat", NOW_MS - HOUR_MS)], [])) == 2


@pytest.mark.parametrize("batch", [True, False])
def test_medicine_is_never_on_the_shopping_list(batch):
    if batch:
        found = lost([thrown(1, "Insulin", "medicine", 3.0, measure="pieces")], [], [], [])
    else:
        found = lost([], [], [Thrown("v3-meat", NOW_MS)], [card("v3-meat", classes=("medicine",))])
    assert found[0].medicine
    assert needs(found) == []


def test_lines_stand_under_the_place_of_their_cabinet():
    gone = [thrown(1, "Steaks", "red_meat", 2.5), thrown(2, "Fish", "fish", 1.0, unit="camp-milk")]
    assert {place: len(lines) for place, lines in by_place(lost(gone, [], [], []), fleet()).items()} == {
        "vehicle-3": 1,
        "river-camp": 1,
    }
    stray = thrown(3, "Eggs", "other_chilled", 1.0, unit="no-such")
    assert list(by_place(lost([stray], [], [], []), fleet())) == [""]
