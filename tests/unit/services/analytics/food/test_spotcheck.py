import pytest

from services.analytics.food.spotcheck import spot_check, spot_of_batch, spot_of_unit
from services.domain import CoreReading
from tests.helpers.batch_lives import NOON_MS, life, settings
from tests.helpers.logs import unit

ZA = ("za-r638-2018",)


def read(core_c, surface_c=None):
    return CoreReading(NOON_MS, core_c, surface_c)


def test_each_document_answers_for_itself():
    found = spot_check(("za-r638-2018", "uk-8c", "eu-853-2004"), ("cooked",), read(6.0))
    assert [(x.rule, x.compliant) for x in found] == [("za-r638-2018", "no"), ("uk-8c", "yes")]


def test_a_surface_that_was_not_measured_is_told_where_the_document_asks_for_it():
    za, uk = spot_check(("za-r638-2018", "uk-8c"), ("milk",), read(3.0))
    assert (za.compliant, za.surface_c) == ("yes", None)
    assert za.why.endswith("the surface was not measured")
    assert "surface" not in uk.why


def test_a_surface_alone_breaks_it():
    (warm,) = spot_check(ZA, ("milk",), read(3.0, 6.1))
    assert (warm.compliant, warm.why) == ("no", "surface 6.1 °C, above 6 °C")


def test_the_rows_show_what_was_compared_and_name_the_document():
    (found,) = spot_check(ZA, ("red_meat",), read(5.1, 7.1))
    assert [(r.quantity, r.value, r.threshold) for r in found.reasons] == [
        ("core", 5.1, 5.0),
        ("surface", 7.1, 7.0),
    ]
    assert found.why == "core 5.1 °C, above 5 °C; surface 7.1 °C, above 7 °C"
    assert "Annexure E" in found.source
    assert "8(4)(a)(ii)" in found.source


def test_where_documents_differ_between_kinds_of_food_the_answer_is_not_known():
    (found,) = spot_of_unit(unit(classes=("poultry", "red_meat")), read(4.5))
    assert found.compliant == "unknown"
    assert "not kept if it is poultry" in found.why
    (within,) = spot_of_unit(unit(classes=("poultry", "red_meat")), read(4.0))
    assert within.compliant == "yes"
    (beyond,) = spot_of_unit(unit(classes=("poultry", "red_meat")), read(5.1))
    assert beyond.compliant == "no"


def test_food_nobody_described_may_be_any_of_its_kind():
    (found,) = spot_of_unit(unit(), read(4.5))
    assert found.compliant == "unknown"
    (frozen,) = spot_of_unit(unit("freezer"), read(-15.0))
    assert frozen.compliant == "unknown"
    assert spot_of_unit(unit("freezer"), read(-11.0))[0].compliant == "no"
    assert spot_of_unit(unit(), read(5.1))[0].compliant == "no"


def test_chilled_food_in_a_freezer_is_measured_as_frozen_food():
    (found,) = spot_of_unit(unit("freezer", classes=("red_meat",)), read(-11.9))
    assert (found.compliant, found.reasons[0].threshold) == ("no", -12.0)


def test_rules_without_a_number_leave_the_answer_to_the_default():
    (found,) = spot_of_unit(unit(classes=("red_meat",), rules=("er-67-2003",)), read(5.1))
    assert (found.rule, found.compliant) == ("za-r638-2018", "no")


def test_minutes_a_document_allows_are_for_its_clock_to_count():
    (found,) = spot_check(("er-67-2003",), ("fish",), read(5.0))
    assert found.compliant == "unknown"
    assert "its clock decides" in found.why


@pytest.mark.parametrize(
    ("core_c", "moving", "answer"), [(-16, True, "unknown"), (-16, False, "no"), (-14, True, "no")]
)
def test_quick_frozen_food_may_be_warmer_briefly_on_the_road_only(core_c, moving, answer):
    (found,) = spot_check(("eu-quick-frozen-89-108",), ("frozen_other",), read(core_c), moving=moving)
    assert found.compliant == answer


def test_of_a_batch_the_newest_reading_counts():
    told = [(10, "probed", {"probe_c": 5.4, "surface_c": 8.0}), (20, "probed", {"probe_c": 3.0})]
    stew = life(*told)
    at = NOON_MS + 15 * 60_000
    (before,) = spot_of_batch(stew, settings(), as_of_ms=at)
    assert (before.compliant, before.core_c, before.surface_c) == ("no", 5.4, 8.0)
    (after,) = spot_of_batch(stew, settings(), as_of_ms=at + 10 * 60_000)
    assert (after.compliant, after.core_c, after.surface_c) == ("yes", 3.0, None)
    assert spot_of_batch(life(), settings(), as_of_ms=at) == ()
    twice = life((0, "probed", {"probe_c": 5.4}), core_c=3.0)
    assert spot_of_batch(twice, settings(), as_of_ms=at)[0].core_c == 5.4  # said last, in the same moment


def test_thawed_food_is_measured_as_what_it_was_before_it_was_frozen():
    frozen = life((10, "probed", {"probe_c": -11.0}), food_class="frozen_fish", frozen=True)
    (found,) = spot_of_batch(frozen, settings(kind="freezer"), as_of_ms=NOON_MS + 3_600_000)
    assert (found.compliant, found.reasons[0].threshold) == ("no", -18.0)
    thawed = life(
        (5, "thawed", {"frozen": False}),
        (10, "probed", {"probe_c": 4.0}),
        food_class="frozen_fish",
        frozen=True,
    )
    (found,) = spot_of_batch(thawed, settings(), as_of_ms=NOON_MS + 3_600_000)
    assert (found.compliant, found.reasons[0].threshold) == ("yes", 4.0)


def test_a_rule_that_does_not_exist_is_the_caller_s_mistake():
    with pytest.raises(KeyError):
        spot_check(("made-up",), ("milk",), read(1.0))


def test_food_that_cools_in_its_stages_is_left_to_their_clock():
    told = [(0, "cooling_started", {"probe_c": 70.0}), (60, "probed", {"probe_c": 30.0})]
    (found,) = spot_of_batch(life(*told), settings(), as_of_ms=NOON_MS + 3_700_000)
    assert (found.compliant, found.core_c) == ("unknown", 30.0)
    assert "two stages" in found.why
    done = life(*told, (200, "probed", {"probe_c": 4.0}), (300, "probed", {"probe_c": 7.0}))
    assert spot_of_batch(done, settings(), as_of_ms=NOON_MS + 18_000_000)[0].compliant == "no"
    never_hot = life((0, "cooling_started", {"probe_c": 20.0}))
    assert spot_of_batch(never_hot, settings(), as_of_ms=NOON_MS + 60_000)[0].compliant == "no"


def test_under_time_control_only_the_document_that_knows_it_gives_way():
    both = settings(rules=("fda-food-code-2022", "za-r638-2018"))
    said = {"probe_c": 4.0, "time_control": "4h", "written_procedure": True, "marked": True}
    stew = life((0, "taken_out", said), (60, "probed", {"probe_c": 9.0}))
    fda, za = spot_of_batch(stew, both, as_of_ms=NOON_MS + 3_700_000)
    assert (fda.compliant, za.compliant) == ("unknown", "no")
