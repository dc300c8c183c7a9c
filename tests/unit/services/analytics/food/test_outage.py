import pytest

from services.analytics.food.limit import Limit
from services.analytics.food.outage import KEPT, after_outage, freeze_again, presumed_cold, sale_as_frozen

HOUR = 3_600_000


def presumed(kind="fridge", hours=1.0, **changes):
    options = {"full": False, "volume_l": 300.0, "moving": False, "ambient_c": 20.0, **changes}
    return presumed_cold(kind, silent_ms=round(hours * HOUR), **options)


@pytest.mark.parametrize(
    ("kind", "full", "hours"), [("fridge", False, 4), ("freezer", False, 24), ("freezer", True, 48)]
)
def test_a_house_s_cabinet_is_presumed_cold_for_a_while_and_that_is_no_knowledge(kind, full, hours):
    assert presumed(kind, hours - 1, full=full).answer == "unknown"
    ended = presumed(kind, hours, full=full)
    assert (ended.answer, f"{hours} h or more" in ended.why) == ("no", True)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"volume_l": 60.0}, "smaller than 150 l"),
        ({"volume_l": None}, "size not known"),
        ({"moving": True}, "rides in a vehicle"),
        ({"ambient_c": 30.0}, "above 25 °C"),
        ({"ambient_c": None}, "not known"),
    ],
)
def test_small_moving_or_hot_cabinets_have_no_presumption_and_are_told_why(changes, words):
    found = presumed(**changes)
    assert (found.question, found.answer) == ("presumed_cold", "no")
    assert "not used here" in found.why
    assert words in found.why


@pytest.mark.parametrize(
    ("minutes", "answers"),
    [(0, ("yes", "yes")), (119, ("yes", "yes")), (120, ("no", "yes")), (240, ("no", "no"))],
)
def test_two_texts_answer_side_by_side(minutes, answers):
    assert tuple(a.answer for a in after_outage(minutes)) == answers


def test_time_nobody_can_tell_of_is_not_known_rather_than_kept():
    found = after_outage(30, unknown_min=100)
    assert [a.answer for a in found] == ["unknown", "yes"]
    assert "a person measures its core" in found[0].why
    assert after_outage(130, unknown_min=100)[0].answer == "no"


def test_what_the_charts_keep_is_kept():
    assert {after_outage(9999, what=what)[0].answer for what in KEPT} == {"yes"}
    assert after_outage(9999, what=" Butter ")[0].answer == "yes"
    assert after_outage(9999, what="Butter chicken")[0].answer == "no"


def again(food_class="frozen_other", **changes):
    options = {"warmest_c": -20.0, "minutes_over_40f": 0.0, "ice_seen": None, **changes}
    return freeze_again(food_class, **options).answer


def test_what_stayed_below_40_f_or_still_has_ice_may_be_frozen_again():
    assert again() == "yes"
    assert again(warmest_c=4.4, ice_seen=False) == "yes"
    assert again(warmest_c=9.0, minutes_over_40f=30.0) == "unknown"
    assert again(warmest_c=None) == "unknown"
    assert again(warmest_c=None, ice_seen=True) == "yes"
    assert again(warmest_c=9.0, minutes_over_40f=119.0, ice_seen=True) == "yes"


def test_two_hours_above_40_f_are_too_long_whatever_ice_is_left():
    assert again(warmest_c=9.0, minutes_over_40f=120.0) == "no"
    assert again(warmest_c=9.0, minutes_over_40f=120.0, ice_seen=True) == "no"


def test_ice_cream_that_thawed_or_may_have_is_never_frozen_again():
    assert again("ice_cream", warmest_c=-5.0) == "yes"
    assert again("ice_cream", warmest_c=1.0) == "no"
    assert again("ice_cream", warmest_c=-5.0, ice_seen=False) == "no"
    assert again("ice_cream", warmest_c=None) == "no"


LIMITS = (Limit("strict", -18.0, "one", frozen=True), Limit("other", -12.0, "two", frozen=True))


def test_each_law_answers_for_itself_whether_it_is_sold_as_frozen():
    def sale(warmest_c, *, all_known=True):
        return [a.answer for a in sale_as_frozen(LIMITS, warmest_c=warmest_c, all_known=all_known)]

    assert sale(-18.0) == ["yes", "yes"]
    assert sale(-15.0) == ["no", "yes"]
    assert sale(-5.0) == ["no", "no"]
    assert sale(-15.0, all_known=False) == ["no", "unknown"]
    assert sale(None) == ["unknown", "unknown"]
