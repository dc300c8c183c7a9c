import pytest

from dashboards.advice import colder_places, steps
from services.domain import Verdict
from services.timebase import HOUR_MS
from tests.helpers.larder import NOW_MS, card, runout

CALM = runout(hours_p10=50.0, lasts_until=())


def renamed(unit, **changes):
    return card("v3-veg", **changes).model_copy(update={"unit": unit})


def test_food_moves_to_the_coldest_cold_cabinet_of_its_kind_and_place():
    hold = card("v3-meat", standing=Verdict.HOLD)
    others = [
        card("v3-veg", name="Warm side", latest={"cabinet_c": 3.0}),
        renamed("v3-two", name="Cold side", latest={"cabinet_c": 1.0}),
        renamed("v3-off", state="off"),
        renamed("v3-out", cut_out_now=True),
        renamed("v3-medicine", classes=("medicine",)),
        card("camp-milk"),
        card("camp-fish", site="vehicle-3"),
    ]
    assert [place.name for place in colder_places(hold, [hold, *others])] == ["Cold side", "Warm side"]
    assert any("Cold now: Cold side, Warm side." in step for step in steps(hold, others))
    assert any("use ice" in step for step in steps(hold, [hold]))


def test_food_does_not_move_to_where_its_own_limit_is_not_kept():
    drinks = renamed("v3-drinks", name="Drinks", latest={"cabinet_c": 4.8}, limit_c=5.0)
    blind = renamed("v3-blind", name="Blind", latest={})
    hold = card("v3-meat", standing=Verdict.HOLD, limit_c=4.0)
    assert colder_places(hold, [drinks, blind]) == []


@pytest.mark.parametrize("verdict", [Verdict.HOLD, Verdict.DISCARD_ADVISED])
def test_food_beside_medicine_is_spoken_of_too(verdict):
    said = " ".join(steps(card(standing=verdict, classes=("medicine", "poultry")), []))
    assert "pharmacist" in said
    assert "Do not cook" in said


@pytest.mark.parametrize("standing", [Verdict.OK, Verdict.NO_DATA])
def test_a_cabinet_not_in_use_offers_no_food(standing):
    said = " ".join(steps(card(state="off", standing=standing), []))
    assert "Nothing to do" not in said
    assert "nothing in it is judged" in said


@pytest.mark.parametrize("verdict", list(Verdict))
def test_every_verdict_comes_with_something_to_do(verdict):
    assert steps(card(standing=verdict, runout=CALM), [])


def test_discard_advised_never_offers_the_fire():
    said = " ".join(steps(card(standing=Verdict.DISCARD_ADVISED), [])).lower()
    assert "cooking does not mend it" in said
    assert "not to staff, pets" in said


@pytest.mark.parametrize("verdict", [Verdict.HOLD, Verdict.DISCARD_ADVISED])
def test_medicine_is_kept_cold_and_asked_about(verdict):
    said = " ".join(steps(card(standing=verdict, classes=("medicine",)), [])).lower()
    assert "quarantine" in said
    assert "pharmacist" in said
    assert "discard it" not in said


def test_a_cabinet_that_cut_out_is_charged_in_the_open_air():
    for verdict in (Verdict.OK, Verdict.WATCH, Verdict.NO_DATA, Verdict.HOLD):
        said = " ".join(steps(card(standing=verdict, cut_out_now=True), []))
        assert "open air" in said, verdict
        assert "lid shut" in said, verdict


def test_a_cold_cabinet_whose_battery_will_not_last_says_charge():
    assert steps(card(runout=runout()), []) != steps(card(runout=CALM), [])
    assert "Charge the battery" in steps(card(runout=runout()), [])[0]


def test_a_silent_cabinet_is_looked_at_first():
    silent = card(standing=Verdict.HOLD, observed_at=NOW_MS - 2 * HOUR_MS)
    assert any("Go and look" in step for step in steps(silent, []))
    assert "Go and look" in steps(card(standing=Verdict.NO_DATA), [])[0]
    waiting = card(standing=Verdict.NO_DATA, backlog_expected=True)
    assert "on their way" in steps(waiting, [])[0]
