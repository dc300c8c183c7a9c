"""The limits a batch is held to."""

from services.analytics.food.batchlimits import batch_limits, lowest_c
from tests.helpers.batch_lives import life, settings, steady


def lines(story, airs):
    limits, _ = batch_limits(story, airs)
    return {(limit.rule, limit.limit_c, limit.frozen) for limit in limits}


def test_thawed_food_is_held_to_the_row_of_its_kind():
    airs = {"box-a": steady(5, 3.0)}
    assert lines(life(food_class="frozen_fish"), airs) == {("za-r638-2018", 4.0, False)}
    assert lines(life(food_class="frozen_other"), airs) == {("za-r638-2018", 5.0, False)}


def test_chilled_food_in_a_freezer_is_held_to_frozen_lines_only_when_kept_frozen():
    airs = {"ice-a": steady(5, -20.0, of=settings("ice-a", kind="freezer"))}
    put_in = life(food_class="poultry", unit="ice-a")
    assert lines(put_in, airs) == {("za-r638-2018", 4.0, False)}
    kept = life(food_class="poultry", unit="ice-a", frozen=True)
    assert ("za-r638-2018", -12.0, True) in lines(kept, airs)
    assert lowest_c(kept, batch_limits(kept, airs)[0]) == -12.0


def test_rules_of_every_cabinet_add_up():
    airs = {"box-a": steady(5, 3.0), "box-b": steady(5, 3.0, of=settings("box-b", rules=("fsis",)))}
    moved = life((2, "moved", {"unit": "box-b"}))
    assert {rule for rule, _, _ in lines(moved, airs)} == {"za-r638-2018", "fsis"}


def test_the_strictest_ladder_stands_where_vulnerable_guests_ate_from_one_of_them():
    guests = settings("box-b", food={"rules": ("za-r638-2018",), "vulnerable_guests": True})
    airs = {"box-a": steady(5, 3.0), "box-b": steady(5, 3.0, of=guests)}
    limits, _ = batch_limits(life((2, "moved", {"unit": "box-b"})), airs)
    assert [limit.discard_min for limit in limits] == [120.0]


def test_food_in_no_known_cabinet_is_held_to_the_rules_that_apply_where_none_are_chosen():
    limits, assumed = batch_limits(life(), {})
    assert [limit.limit_c for limit in limits] == [5.0]
    assert any("no cabinet known" in words for words in assumed)


def test_molten_ice_cream_has_a_limit_all_the_same():
    airs = {"box-a": steady(5, 3.0, of=settings(rules=("eu-quick-frozen-89-108",)))}
    story = life(food_class="ice_cream")
    assert lowest_c(story, batch_limits(story, airs)[0]) <= 5.0
