from dataclasses import replace

import numpy as np
import pytest

from services.analytics.power.load import HORIZON_H, Load
from services.analytics.power.moves import CHARGE_MINUTES, Beside, Outlook, moves, moves_between
from services.analytics.power.runout import Reserve
from services.domain import Food
from tests.helpers.made_supply import Story, settings_for


def flat_load(amps=2.0):
    edges = np.arange(0.0, HORIZON_H + 1.0)
    return Load(edges, edges * amps, amps, 0.12)


def settings_with(classes, **more):
    settings = settings_for(Story())
    food = Food(classes=classes, **{k: v for k, v in more.items() if k == "load_kg"})
    changes = {k: v for k, v in more.items() if k != "load_kg"}
    unit = settings.unit.model_copy(update={"food": food, **changes})
    return settings.model_copy(update={"classes": classes, "unit": unit})


def outlook(classes=("red_meat",), *, food_c=2.0, limit_c=7.0, missing_ah=50.0, target_h=0.0):
    return Outlook(
        reserve=Reserve(25.0, 5.0, 0.1, 0.2),
        load=flat_load(),
        settings=settings_with(classes),
        capacity_ah=100.0,
        missing_ah=missing_ah,
        coulombic_share=0.85,
        charge_a=None,
        target_h=target_h,
        food_limit_c=limit_c,
        food_c=food_c,
        ambient_c=32.0,
        other_a=0.0,
    )


def found(*args, **kinds):
    return {move.action: move for move in moves(outlook(*args, **kinds))}


@pytest.mark.parametrize("barred", ["poultry", "fish", "frozen_fish", "medicine", "unknown"])
def test_the_set_point_is_never_raised_for_what_must_not_warm(barred):
    assert "set_point" not in found((barred, "drinks"))
    assert "set_point" in found(("red_meat",))


def test_the_set_point_is_not_raised_near_the_limit():
    assert "set_point" not in found(limit_c=5.0)
    assert "set_point" not in found(food_c=6.5)
    assert "set_point" not in found(food_c=None)


def test_an_hour_of_charging_gains_what_it_puts_in_and_nothing_when_full():
    charge = found()["charge"]
    assert charge.amount == CHARGE_MINUTES
    assert charge.gain_hours == pytest.approx(0.2 * 100 * 0.85 / 2.0, rel=0.01)
    assert "exhaust" in charge.words
    assert "charge" not in found(missing_ah=0.0)


def test_charging_is_told_in_the_minutes_that_carry_it_to_the_target():
    early = flat_load().hours_for(outlook().reserve.ah_at(0.1))
    charge = found(target_h=early + 4.0)["charge"]
    assert charge.amount == 30.0  # 17 Ah an hour at 2 A: eight and a half hours an hour
    assert charge.gain_hours >= 4.0


def test_charging_known_to_be_slow_takes_longer():
    early = flat_load().hours_for(outlook().reserve.ah_at(0.1))
    slow = moves(replace(outlook(target_h=early + 4.0), charge_a=5.0))[0]
    assert slow.amount == 120.0


def test_a_bank_that_takes_no_more_is_not_charged_on_and_the_words_say_so():
    worn = found(target_h=40.0, missing_ah=10.0)["charge"]
    assert worn.amount == 30.0  # 6.3 Ah at 17 Ah an hour
    assert worn.gain_hours == pytest.approx(0.63 * 10.0 / 2.0, rel=0.01)
    assert worn.words.startswith("then it takes hardly any more")
    assert "exhaust" in worn.words
    slow = moves(replace(outlook(target_h=40.0, missing_ah=80.0), charge_a=2.0))[0]
    assert slow.amount == 240.0
    assert slow.words.startswith("not enough alone")
    early = flat_load().hours_for(outlook().reserve.ah_at(0.1))
    assert "enough" not in found(target_h=early + 4.0)["charge"].words


def beside(unit, hours, *, cold=True, known=True, classes=("red_meat",), bank=None, **unit_changes):
    settings = settings_with(classes, id=unit, **unit_changes)
    battery = settings.bank.model_copy(update={"id": f"bank-{unit}", **({} if bank is None else bank)})
    return Beside(
        settings=settings.model_copy(update={"bank": battery, "name": unit}),
        hours_p10=hours,
        known=known,
        cold=cold,
    )


HALF_EMPTY = {"load_kg": 5.0, "volume_l": 60.0}


def actions(mine, *others):
    return {move.action: move for move in moves_between(mine, others)}


def test_two_half_empty_cabinets_may_be_merged_and_like_banks_shared():
    mine, other = beside("unit-1", 4.0, **HALF_EMPTY), beside("unit-2", 20.0, **HALF_EMPTY)
    seen = actions(mine, other)
    assert seen["merge"].gain_hours == pytest.approx(16.0)
    assert seen["merge"].unit == "unit-2"
    assert seen["share"].gain_hours == pytest.approx(8.0)
    assert "isolated" in seen["share"].words


@pytest.mark.parametrize(
    "other",
    [
        beside("unit-2", 20.0, cold=False, **HALF_EMPTY),
        beside("unit-2", 20.0, load_kg=30.0, volume_l=60.0),
        beside("unit-2", 20.0, volume_l=60.0),
        beside("unit-2", 20.0, classes=("cooked",), **HALF_EMPTY),
        beside("unit-2", 20.0, classes=("medicine",), **HALF_EMPTY),
        beside("unit-2", 3.0, **HALF_EMPTY),
        beside("unit-2", 20.0, kind="freezer", **HALF_EMPTY),
    ],
)
def test_food_is_never_merged_where_it_could_hurt_or_gain_nothing(other):
    assert "merge" not in actions(beside("unit-1", 4.0, **HALF_EMPTY), other)


@pytest.mark.parametrize(
    "bank", [{"chemistry": "lifepo4"}, {"nominal_v": 24}, {"starts_engine": True}, {"id": "bank-unit-1"}]
)
def test_only_like_banks_are_shared(bank):
    assert "share" not in actions(beside("unit-1", 4.0), beside("unit-2", 20.0, bank=bank))


def test_nothing_is_moved_for_a_unit_that_lasts_or_of_which_nothing_is_known():
    other = beside("unit-2", 20.0, **HALF_EMPTY)
    assert not actions(beside("unit-1", None, **HALF_EMPTY), other)
    assert not actions(beside("unit-1", 4.0, known=False, **HALF_EMPTY), other)
