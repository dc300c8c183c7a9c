import pytest

from services.analytics.food.outage import KEPT, after_outage, presumed_cold, refreezing
from services.domain import Verdict

HOUR = 3_600_000


def presumed(kind="fridge", hours=1, **changes):
    options = {"full": False, "volume_l": 300.0, "moving": False, "ambient_c": 20.0, **changes}
    return presumed_cold(kind, since_ms=0, as_of_ms=hours * HOUR, **options)


@pytest.mark.parametrize(
    ("kind", "full", "hours"), [("fridge", False, 4), ("freezer", False, 24), ("freezer", True, 48)]
)
def test_a_house_s_cabinet_is_presumed_cold_for_a_while(kind, full, hours):
    assert presumed(kind, hours - 1, full=full).holds
    ended = presumed(kind, hours, full=full)
    assert (ended.holds, ended.verdict, ended.until_ms) == (False, Verdict.HOLD, hours * HOUR)


@pytest.mark.parametrize(
    "changes",
    [{"volume_l": 60.0}, {"volume_l": None}, {"moving": True}, {"ambient_c": 30.0}, {"ambient_c": None}],
)
def test_small_moving_or_hot_cabinets_have_no_presumption(changes):
    found = presumed(**changes)
    assert (found.holds, found.until_ms, found.verdict) == (False, None, Verdict.HOLD)
    assert "no presumption" in found.why


def test_two_texts_answer_side_by_side():
    assert [a.verdict for a in after_outage(0)] == [Verdict.OK, Verdict.OK]
    assert [a.verdict for a in after_outage(60)] == [Verdict.WATCH, Verdict.WATCH]
    assert [a.verdict for a in after_outage(240)] == [Verdict.DISCARD_ADVISED, Verdict.DISCARD_ADVISED]
    assert {after_outage(9999, what=what)[0].verdict for what in KEPT} == {Verdict.WATCH}


def frozen(food_class="frozen_other", **changes):
    options = {
        "warmest_c": -20.0,
        "minutes_over_40f": 0.0,
        "ice_crystals": None,
        "frozen_limit_c": -12.0,
        **changes,
    }
    found = refreezing(food_class, **options)
    return found.sale_as_frozen, found.refreeze


def test_sale_and_refreezing_are_two_answers():
    assert frozen() == ("yes", "yes")
    assert frozen(warmest_c=-5.0) == ("no", "yes")
    assert frozen(warmest_c=4.0, ice_crystals=False) == ("no", "yes")
    assert frozen(warmest_c=9.0, minutes_over_40f=200.0) == ("no", "no")
    assert frozen(warmest_c=9.0, minutes_over_40f=30.0) == ("no", "unknown")
    assert frozen(warmest_c=None) == ("unknown", "unknown")
    assert frozen(warmest_c=None, ice_crystals=True) == ("unknown", "yes")
    assert frozen(warmest_c=9.0, minutes_over_40f=200.0, ice_crystals=True) == ("no", "yes")


def test_ice_cream_that_thawed_is_never_frozen_again():
    assert frozen("ice_cream", warmest_c=1.0, frozen_limit_c=-18.0) == ("no", "no")
    assert frozen("ice_cream", warmest_c=-5.0, frozen_limit_c=-18.0) == ("no", "yes")
