import itertools

import pytest

from dashboards.urgency import Need, battery_fails_tonight, in_order, need_of, stops_ms
from services.domain import LastsUntil, Verdict
from services.timebase import HOUR_MS
from tests.helpers.larder import NO_BATTERY, NOW_MS, card, runout

LONG = runout(hours_p10=50.0, lasts_until=())
TROUBLES = [
    card(standing=Verdict.DISCARD_ADVISED, runout=LONG),
    card(standing=Verdict.HOLD, runout=LONG),
    card(standing=Verdict.NO_DATA, runout=LONG),
    card(cut_out_now=True, runout=LONG),
    card(runout=runout()),
    card(standing=Verdict.WATCH, runout=LONG),
    card(runout=LONG),
    card(state="off", runout=LONG),
]


def test_the_needs_stand_in_the_order_people_are_needed():
    assert [need_of(each) for each in TROUBLES] == list(Need)


@pytest.mark.parametrize("turn", range(8))
def test_the_order_does_not_depend_on_how_the_cabinets_come(turn):
    shuffled = list(itertools.islice(itertools.cycle(TROUBLES), turn, turn + len(TROUBLES)))
    assert [placed.need for placed in in_order(shuffled)] == list(Need)


def test_somebody_is_needed_down_to_the_battery_but_not_for_watching():
    assert [need for need in Need if need.needs_somebody] == list(Need)[:5]


def test_a_hold_on_a_unit_switched_off_still_needs_somebody():
    assert need_of(card(state="off", standing=Verdict.HOLD)) is Need.HOLD
    assert need_of(card(state="empty", standing=Verdict.NO_DATA)) is Need.RESTING


@pytest.mark.parametrize(
    ("changes", "fails"),
    [
        ({"lasts_until": (LastsUntil(at=NOW_MS, name="dawn", chance=0.89),)}, True),
        ({"lasts_until": (LastsUntil(at=NOW_MS, name="dawn", chance=0.0),)}, True),
        ({"lasts_until": (LastsUntil(at=NOW_MS, name="dawn", chance=0.9),)}, False),
        ({"lasts_until": (), "hours_p10": 11.9}, True),
        ({"lasts_until": (), "hours_p10": 0.0}, True),
        ({"lasts_until": (), "hours_p10": 12.0}, False),
        ({"lasts_until": (), "hours_p10": 1.0, "reason": "charging"}, False),
        ({"lasts_until": (), "hours_p10": None, "reason": "not_enough_data"}, False),
    ],
)
def test_a_battery_fails_tonight_when_dawn_is_not_likely_enough(changes, fails):
    assert battery_fails_tonight(card(runout=runout(**changes))) is fails


def test_a_unit_on_mains_has_no_battery_to_fail():
    assert not battery_fails_tonight(card(runout=NO_BATTERY))


def test_among_equals_the_soonest_stands_first():
    risk = runout().food_at_risk
    sooner = risk.model_copy(update={"from_p10": NOW_MS + HOUR_MS})
    early = card("v3-veg", runout=runout(food_at_risk=sooner))
    assert [p.card.unit for p in in_order([card(runout=runout()), early])] == ["v3-veg", "v3-meat"]


def test_what_stopped_and_what_soon_stops_stand_in_the_order_their_food_is_at_risk():
    risk = runout().food_at_risk
    late = risk.model_copy(update={"from_p10": NOW_MS + 20 * HOUR_MS})
    soon = risk.model_copy(update={"from_p10": NOW_MS + HOUR_MS})
    stopped = card("v3-veg", cut_out_now=True, runout=runout(food_at_risk=late))
    failing = card("v3-meat", runout=runout(food_at_risk=soon))
    assert [p.need for p in in_order([stopped, failing])] == [Need.BATTERY, Need.CUT_OUT]


def test_a_battery_on_charge_is_counted_from_when_the_charging_stops():
    charging = runout(reason="charging", hours_p10=2.0, if_charging_stops_at=NOW_MS + HOUR_MS)
    assert stops_ms(card(runout=charging)) == NOW_MS + 3 * HOUR_MS
    assert stops_ms(card(runout=runout(hours_p10=2.0))) == NOW_MS + 2 * HOUR_MS
    assert stops_ms(card(cut_out_now=True)) == float("-inf")
    assert stops_ms(card(runout=NO_BATTERY)) == float("inf")
