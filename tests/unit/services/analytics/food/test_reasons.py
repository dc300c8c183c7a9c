from dataclasses import replace

from services.analytics.food.reasons import air_rows, rows
from services.analytics.food.rules import limits_of
from tests.helpers.logs import unit


def told(limit, above=0.0, unknown=0.0, *, hot=False, peak_c=6.0):
    return rows(limit, above_min=above, unknown_min=unknown, hot=hot, peak_c=peak_c, basis="probe")


def brief(found):
    return [(r.quantity, r.value, r.operator, r.threshold, r.unit) for r in found]


def test_a_chilled_limit_shows_the_law_and_every_rung():
    (limit,) = limits_of(unit(classes=("cooked",))).limits
    assert brief(told(limit, 130.0)) == [
        ("warmest probe", 6.0, ">", 5.0, "°C"),
        ("minutes above 5 °C", 130.0, ">", 0.0, "min"),
        ("minutes above 5 °C or unknown, to hold", 130.0, ">=", 120.0, "min"),
        ("minutes above 5 °C, to discard", 130.0, ">=", 240.0, "min"),
    ]
    assert all(row.source for row in told(limit))


def test_unknown_time_counts_towards_hold_and_not_towards_discard():
    (limit,) = limits_of(unit(classes=("cooked",))).limits
    by_quantity = {r.quantity: r.value for r in told(limit, 10.0, 300.0)}
    assert by_quantity["minutes unknown"] == 300.0
    assert by_quantity["minutes above 5 °C or unknown, to hold"] == 310.0
    assert by_quantity["minutes above 5 °C, to discard"] == 10.0


def test_in_hot_air_the_shorter_times_are_shown():
    (limit,) = limits_of(unit(classes=("cooked",), rules=("fsis",))).limits
    assert [r.threshold for r in told(limit, 1.0, hot=True)][2:] == [60.0, 60.0]


def test_frozen_food_has_no_discard_row_and_drinks_only_watch():
    frozen = limits_of(unit("freezer", classes=("frozen_other",))).limits[0]
    assert not any("discard" in r.quantity for r in told(frozen))
    (drinks,) = limits_of(unit(classes=("drinks",))).limits
    assert [r.quantity for r in told(drinks)] == ["warmest probe", "minutes above 5 °C or unknown"]


def test_nothing_measured_gives_no_temperature_row():
    (limit,) = limits_of(unit(classes=("cooked",))).limits
    assert told(limit, peak_c=None)[0].quantity == "minutes above 5 °C"


def test_below_and_on_the_limit_have_their_own_operators():
    low = next(x for x in limits_of(unit(classes=("medicine",))).limits if x.limit_c == 2.0)
    assert told(low, peak_c=1.0)[0].quantity == "coldest probe"
    assert told(low, peak_c=1.0)[0].operator == "<"
    assert told(replace(low, at_counts=True), peak_c=1.0)[0].operator == "<="


def test_air_is_compared_with_how_long_it_stands_now():
    (limit,) = limits_of(unit(classes=("cooked",))).limits
    found = air_rows(limit, standing_min=31.0, unknown_min=5.0, peak_c=9.0, basis="cabinet air")
    assert brief(found)[-1] == ("minutes above 5 °C without a break up to now", 31.0, ">=", 30.0, "min")
    assert [r.unit for r in found] == ["°C", "min", "min"]
