import pytest

from dashboards.places import Larder, colder_places, own_standing
from services.domain import Food, Unit, Verdict
from tests.helpers.food_cards import food_card
from tests.helpers.larder import card, runout


def renamed(unit, **changes):
    return card("v3-veg", **changes).model_copy(update={"unit": unit})


HOLD = card("v3-meat", standing=Verdict.HOLD)


def names(*others, of=HOLD, units=(), batches=(), **asked):
    larder = Larder(cards=(of, *others), units=units, batches=batches)
    return [place.name for place in colder_places(of, larder, **asked)]


def test_food_moves_to_the_coldest_cold_cabinet_of_its_kind_and_place():
    others = [
        card("v3-veg", name="Warm side", latest={"cabinet_c": 3.0}),
        renamed("v3-two", name="Cold side", latest={"cabinet_c": 1.0}),
        renamed("v3-off", state="off"),
        renamed("v3-out", cut_out_now=True),
        renamed("v3-medicine", classes=("medicine",)),
        renamed("v3-quiet", computed=Verdict.NO_DATA),
        card("camp-milk"),
        card("camp-fish", site="vehicle-3"),
    ]
    assert names(*others) == ["Cold side", "Warm side"]


def test_food_does_not_move_to_where_its_own_limit_is_not_kept():
    drinks = renamed("v3-drinks", name="Drinks", latest={"cabinet_c": 4.8}, limit_c=5.0)
    blind = renamed("v3-blind", name="Blind", latest={})
    assert names(drinks, blind, of=card("v3-meat", limit_c=4.0)) == []
    assert names(drinks, of=card("v3-meat", limit_c=5.0)) == ["Drinks"]
    assert names(drinks, of=card("v3-meat", limit_c=5.0), limit_c=4.0) == []


def test_a_cabinet_that_lasts_the_night_comes_before_a_colder_one_that_does_not():
    weak = renamed("v3-weak", name="Weak", latest={"cabinet_c": 0.5}, runout=runout())
    strong = card("v3-veg", name="Strong", latest={"cabinet_c": 3.5})
    assert names(weak, strong) == ["Strong", "Weak"]
    larder = Larder(cards=(HOLD, weak))
    assert colder_places(HOLD, larder)[0].words == "Weak (may not last until dawn)"


@pytest.mark.parametrize(
    ("volume_l", "load_kg", "kilograms", "words"),
    [
        (40.0, 8.0, (3.0,), "Salad drawer (room for about 12 kg)"),
        (40.0, None, (3.0, 5.0), "Salad drawer (room for about 12 kg)"),
        (40.0, 20.0, (), "Salad drawer (full by what is written down)"),
        (40.0, None, (None,), "Salad drawer"),
        (40.0, None, (), "Salad drawer"),
        (None, 8.0, (), "Salad drawer"),
    ],
)
def test_room_is_told_only_where_volume_and_load_are_known(volume_l, load_kg, kilograms, words):
    unit = Unit(id="v3-veg", kind="fridge", volume_l=volume_l, food=Food(load_kg=load_kg))
    inside = tuple(food_card(n, batch={"quantity": kg}) for n, kg in enumerate(kilograms, 1))
    larder = Larder(cards=(HOLD, card("v3-veg")), units=(unit,), batches=inside)
    assert colder_places(HOLD, larder)[0].words == words


def test_a_full_cabinet_comes_last():
    full = Unit(id="v3-veg", kind="fridge", volume_l=10.0, food=Food(load_kg=9.0))
    other = renamed("v3-two", name="Other", latest={"cabinet_c": 3.9})
    assert names(card("v3-veg"), other, units=(full,)) == ["Other", "Salad drawer"]


def test_raw_food_is_kept_apart_from_what_is_ready_to_eat():
    ready = food_card(batch={"food_class": "cooked", "ready_to_eat": True})
    clear = renamed("v3-two", name="Other", latest={"cabinet_c": 3.9})
    larder = Larder(cards=(HOLD, card("v3-veg"), clear), batches=(ready,))
    raw = colder_places(HOLD, larder, classes=("poultry",))
    assert [place.name for place in raw] == ["Other", "Salad drawer"]
    assert "raw goes below it" in raw[1].words
    beside_raw = Larder(cards=(HOLD, card("v3-veg")), batches=(food_card(),))
    assert "ready-to-eat goes above it" in colder_places(HOLD, beside_raw, classes=("cooked",))[0].words
    assert colder_places(HOLD, beside_raw, classes=("poultry",))[0].apart == ""


def test_a_cabinets_own_clock_is_not_that_of_one_batch_in_it():
    assert own_standing(card(own_standing=Verdict.OK, standing=Verdict.HOLD)) is Verdict.OK
    assert own_standing(card(standing=Verdict.HOLD)) is Verdict.HOLD
    assert own_standing(card(own_standing=Verdict.OK, computed=Verdict.NO_DATA)) is Verdict.NO_DATA
