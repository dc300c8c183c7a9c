import pytest

from services.analytics.food.rulebook.catalog import RULES
from services.analytics.food.rules import limits_for, limits_of
from services.domain import Food, HouseRules, Sensor, Site, Unit, UnitSettings
from services.errors import ConfigurationError
from tests.helpers.logs import unit


def limits(*args, **kwargs):
    return [(x.rule, round(x.limit_c, 3)) for x in limits_of(unit(*args, **kwargs)).limits]


@pytest.mark.parametrize(
    ("food_class", "limit_c"),
    [
        ("poultry", 4.0),
        ("fish", 4.0),
        ("offal", 4.0),
        ("milk", 4.0),
        ("mince", 5.0),
        ("red_meat", 5.0),
        ("game", 5.0),
        ("cooked", 5.0),
        ("other_chilled", 5.0),
        ("unknown", 4.0),
    ],
)
def test_every_chilled_class_has_its_limit_under_the_default_rules(food_class, limit_c):
    assert limits(classes=(food_class,)) == [("za-r638-2018", limit_c)]


@pytest.mark.parametrize(
    ("food_class", "frozen_c", "thawed_c"),
    [
        ("frozen_fish", -18.0, 4.0),
        ("ice_cream", -18.0, 4.0),
        ("frozen_other", -12.0, 5.0),
        ("unknown", -18.0, 4.0),
        ("red_meat", -12.0, 5.0),
        ("fish", -18.0, 4.0),
    ],
)
def test_a_freezer_has_a_frozen_limit_that_ends_in_hold_and_a_thawed_one(food_class, frozen_c, thawed_c):
    frozen, thawed = limits_of(unit("freezer", classes=(food_class,))).limits
    assert (frozen.limit_c, frozen.cap, frozen.discard_min) == (frozen_c, "hold", None)
    assert (thawed.limit_c, thawed.cap, thawed.discard_min) == (thawed_c, "discard_advised", 240.0)


def test_of_several_classes_the_lowest_upper_limit_stands():
    assert limits(classes=("red_meat", "poultry")) == [("za-r638-2018", 4.0)]


def test_every_chosen_rule_gives_its_own_limit():
    found = limits(classes=("mince",), rules=("za-r638-2018", "eu-853-2004", "fsis"))
    assert found == [("za-r638-2018", 5.0), ("eu-853-2004", 2.0), ("fsis", 4.444)]
    settings = unit(classes=("mince",), rules=("za-r638-2018", "eu-853-2004"))
    assert limits_of(settings).food_limit_c == 2.0


def test_a_class_the_chosen_rules_have_no_number_for_falls_back_and_says_so():
    found = limits_of(unit(classes=("milk", "mince"), rules=("eu-853-2004",)))
    assert [(x.rule, x.limit_c) for x in found.limits] == [("eu-853-2004", 2.0), ("za-r638-2018", 4.0)]
    assert "milk" in found.assumed[0]


def test_a_freezer_under_rules_without_a_frozen_number_is_still_held_to_one():
    assert limits("freezer", classes=("frozen_other",), rules=("fsanz-3.2.2",))[0] == ("za-r638-2018", -12.0)


def test_an_unknown_rule_is_the_operators_to_mend_and_the_known_ones_are_named():
    with pytest.raises(ConfigurationError, match=r"no rule named 'made-up'; known are .*za-r638-2018"):
        limits_of(unit(rules=("made-up",)))


def test_drinks_have_no_food_limit_and_medicine_is_never_discarded():
    (drinks,) = limits_of(unit(classes=("drinks",))).limits
    assert drinks.cap == "watch"
    medicine = limits_of(unit(classes=("medicine",))).limits
    assert [(x.limit_c, x.below, x.hold_min) for x in medicine] == [
        (0.0, True, 1),
        (-0.5, True, 60),
        (8.0, False, 60),
        (2.0, True, 60),
        (8.0, False, 600),
    ]
    assert [x.at_counts for x in medicine] == [False, True, False, False, False]
    assert len({(x.rule, x.limit_c, x.below) for x in medicine}) == len(medicine)
    assert {x.cap for x in medicine} == {"hold"}
    assert all("ask the pharmacist" in x.words for x in medicine)


def test_medicine_beside_food_keeps_both_limits():
    assert limits(classes=("medicine", "milk"))[0] == ("za-r638-2018", 4.0)
    assert limits_of(unit(classes=("medicine", "milk"))).food_limit_c == 4.0


def limits_with(classes, rules, **options):
    options = {"freezer": False, "moving": False, "vulnerable": False, "house_rules": (), **options}
    house_rules = options.pop("house_rules")
    return limits_for(rules, house_rules, classes, **options).limits


def test_vulnerable_guests_have_no_time_to_use_food_up():
    (limit,) = limits_with(("cooked",), ("za-r638-2018",), vulnerable=True)
    assert (limit.hold_min, limit.discard_min) == (120, 120)
    assert (limit.hot_hold_min, limit.hot_discard_min) == (60, 60)
    assert limit.words == "vulnerable guests: discard at 120 min"
    (frozen, _) = limits_with(("frozen_other",), ("za-r638-2018",), vulnerable=True, freezer=True)
    assert frozen.discard_min is None


def test_a_sensor_s_error_draws_a_second_line_that_only_warns():
    line, guard = limits_with(("cooked",), ("za-r638-2018",), error_k=0.5)
    assert (line.limit_c, line.guard, line.law) == (5.0, False, True)
    assert (guard.limit_c, guard.guard, guard.law, guard.cap) == (4.5, True, False, "watch")
    assert guard.rule == "za-r638-2018, 0.5 K inside"
    settings = UnitSettings.of(
        Unit(id="abc", kind="fridge", food=Food(classes=("cooked",)), sensor=Sensor(error_k=0.5))
    )
    assert limits_of(settings).food_limit_c == 5.0


def test_only_the_limit_that_is_reached_first_has_a_second_line():
    found = limits_with(("cooked",), ("uk-8c", "fda-food-code-2022", "fsis"), error_k=0.5)
    assert [round(x.limit_c, 2) for x in found if x.guard] == [3.94]
    frozen = limits_with(("frozen_other",), ("za-r638-2018",), error_k=0.5, freezer=True)
    assert [x.limit_c for x in frozen if x.guard] == [-12.5, 4.5]


def test_medicine_has_its_second_lines_on_both_sides():
    found = [x for x in limits_with(("medicine",), (), error_k=0.5) if x.guard]
    assert sorted((x.limit_c, x.below) for x in found) == [(2.5, True), (7.5, False)]


def test_what_a_set_gives_no_number_for_is_held_to_the_default_rules():
    frozen, thawed = limits_with(("frozen_other",), ("eu-quick-frozen-89-108",), freezer=True)
    assert (frozen.rule, frozen.limit_c) == ("eu-quick-frozen-89-108", -18.0)
    assert (thawed.rule, thawed.limit_c, thawed.discard_min) == ("za-r638-2018", 5.0, 240.0)
    found = limits_with(("poultry",), ("bw-2007", "uk-8c"))
    assert [(x.rule, x.limit_c) for x in found] == [("uk-8c", 8.0), ("za-r638-2018", 4.0)]
    (_, unknown) = limits_with(("unknown",), ("uk-8c",), freezer=True)
    assert unknown.limit_c == 4.0


@pytest.mark.parametrize("food_class", ["poultry", "unknown", "frozen_other"])
@pytest.mark.parametrize("freezer", [False, True])
def test_where_no_rule_is_chosen_the_default_holds(food_class, freezer):
    found = limits_with((food_class,), (), freezer=freezer)
    assert found == limits_with((food_class,), ("za-r638-2018",), freezer=freezer)
    assert {x.rule for x in found} == {"za-r638-2018"}


def on(site_kind, **food):
    site = Site(id="abc", name="A", kind=site_kind)
    food = {"classes": ("frozen_other",), "rules": ("eu-quick-frozen-89-108",), **food}
    return limits_of(UnitSettings.of(Unit(id="abc", kind="freezer", food=Food(**food)), site=site))


def test_quick_frozen_food_may_warm_briefly_on_the_road_only():
    moving = [x for x in on("vehicle").limits if x.frozen]
    assert [(x.limit_c, x.lawful_min, x.hold_min) for x in moving] == [(-18.0, 60, 60), (-15.0, 0, 120)]
    assert [(x.limit_c, x.lawful_min) for x in on("camp").limits if x.frozen] == [(-18.0, 0)]


def test_unknown_content_is_not_declared_quick_frozen():
    frozen = [x for x in on("vehicle", classes=("unknown",)).limits if x.frozen]
    assert [(x.limit_c, x.lawful_min) for x in frozen] == [(-18.0, 0)]


def test_brief_is_the_operator_s_choice_and_named_where_nobody_made_it():
    assert any("60 min, no document gives a number" in words for words in on("trailer").assumed)
    chosen = on("trailer", brief_min=20)
    assert chosen.limits[0].lawful_min == 20
    assert not any("brief" in words for words in chosen.assumed)
    assert "operator's choice" in chosen.limits[0].source


def test_ice_cream_is_not_quick_frozen_food():
    assert on("vehicle", classes=("ice_cream",)).limits[0].rule == "za-r638-2018"


def test_what_thaws_is_held_to_every_chosen_rule_that_has_a_chilled_number():
    found = limits_with(("frozen_other",), ("fsis",), freezer=True)
    assert [(x.rule, round(x.limit_c, 2), x.frozen) for x in found] == [
        ("za-r638-2018", -12.0, True),
        ("fsis", 4.44, False),
        ("za-r638-2018", 5.0, False),
    ]


def test_an_unknown_base_of_own_rules_is_named():
    with pytest.raises(ConfigurationError, match="no rule named 'nix'"):
        limits_with(("milk",), ("own",), house_rules=(HouseRules(name="own", base="nix"),))


def test_every_limit_says_where_its_minutes_come_from():
    for rule in RULES:
        for limit in limits_with(("red_meat", "fish"), (rule,)):
            assert limit.source
            assert limit.ladder_source


@pytest.mark.parametrize(("food_class", "limit_c"), [("poultry", 4.0), ("milk", 4.0), ("red_meat", 5.0)])
def test_chilled_food_that_thaws_in_a_freezer_keeps_the_limit_of_its_own_class(food_class, limit_c):
    found = limits_with((food_class,), ("za-r638-2018",), freezer=True)
    assert [(x.limit_c, x.frozen) for x in found] == [(-12.0, True), (limit_c, False)]
