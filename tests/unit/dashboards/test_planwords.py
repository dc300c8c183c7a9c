from zoneinfo import ZoneInfo

import pytest

from dashboards import planwords
from services.domain import Quantiles
from services.domain.plan import BankPlan, Change, LoadPlan, Step, UnitPlan
from services.timebase import ms_of_iso

ZONE = ZoneInfo("Africa/Lusaka")
AT = ms_of_iso("2026-10-13T02:00:00Z")
NOT = "not on a bank"


def quantiles(low, middle, high):
    return Quantiles(p10=low, p50=middle, p90=high)


def unit(**changes):
    fields = {
        "unit": "v3-meat",
        "name": "Meat chest",
        "bank": "v3-aux",
        "set_point_c": 3.0,
        "limit_c": 5.0,
        "cabinet_c": (),
        "food_c": (),
        "warmest": quantiles(3.0, 4.0, 6.04),
        "duty": quantiles(0.2, 0.25, 0.31),
        "chance_running": 0.8,
        "chance_cold": 0.85,
        "first_cutout": AT,
        "cable_drop_v": 0.304,
        "cable_drop_share": 0.0253,
    }
    return UnitPlan(**(fields | changes))


def bank():
    return BankPlan(
        bank="v3-aux",
        capacity_ah=100.0,
        units=("v3-meat",),
        soc=(),
        out_ah_per_day=58.6,
        in_ah_per_day=61.2,
        weakest_at=AT,
        weakest_soc=quantiles(0.28, 0.5, 0.65),
        cutout_soc=quantiles(0.2, 0.235, 0.28),
        chance=0.92,
        engine_may_not_start=None,
        engine_may_not_start_reason="no",
        remarks=(),
    )


def test_the_early_end_leads():
    assert planwords.weakest(bank(), ZONE) == (
        "weakest at Tue 04:00: charge 28 to 65 %, plan on 28 %; its cabinets cut out at about 24 %"
    )
    assert planwords.through(bank()).startswith(
        "92 % of trips without a cut-out; a day draws 59 Ah and gives 61"
    )


def test_a_cabinet_is_told_in_sentences():
    words = planwords.unit_words(unit(), ZONE)
    assert words[0] == "Plan on a cut-out from Tue 04:00."
    assert "Food at its warmest 3.0 to 6.0 °C (limit 5.0 °C)." in words
    assert "Its food stays cold in 85 % of trips." in words
    assert "Its cable takes 0.30 V or 2.5 % (3 % is good practice)." in words


def test_what_does_not_apply_is_left_out():
    words = planwords.unit_words(
        unit(
            bank=None,
            bank_reason=NOT,
            limit_c=None,
            limit_c_reason="drinks",
            first_cutout=None,
            first_cutout_reason="none",
            cable_drop_v=None,
            cable_drop_share=None,
            warmest=quantiles(3.0, 3.0, 3.0),
        ),
        ZONE,
    )
    assert words == ("Food at its warmest 3.0 °C (it has no limit).", "Runs 20 to 31 % of the time.")


def load(**changes):
    fields = {
        "unit": "v3-meat",
        "what": "drinks",
        "kg": 20.0,
        "warm_c": 30.0,
        "at": AT,
        "cold_hours": quantiles(12.0, 14.0, 16.2),
        "costs_ah": 44.6,
        "full_duty_hours": 11.6,
    }
    return LoadPlan(**(fields | changes))


def test_a_warm_load_says_its_price_and_what_to_do_instead():
    words = planwords.load_words(load(), "Meat chest")
    assert words.startswith(
        "20 kg of drinks at 30.0 °C in Meat chest: about 45 Ah, cold after 12 to 16 h; 11.6 h"
    )
    assert "cool it on mains first" in words
    never = load(
        cold_hours=None, cold_hours_reason="late", full_duty_hours=None, full_duty_hours_reason="weak"
    )
    assert "the machine alone cannot get it cold" in planwords.load_words(never, "x")
    assert "not cold by the end" in planwords.load_words(never, "x")


@pytest.mark.parametrize(
    ("step", "words"),
    [
        (("bank", 30.0, "Ah"), "30 Ah more on v3-aux, all of one kind and age (130 Ah in all)"),
        (("cable", 2.5, "mm²"), "Cables of 2.5 mm² from v3-aux to its cabinets, fused at the battery"),
        (("panel", 100.0, "Wp"), "100 Wp more of panels on v3-aux"),
        (("drive", 45.0, "min a day"), "45 min more driving a day before dusk"),
        (("charge", 60.0, "min a day"), "60 min a day more on mains, or on a generator in the open air"),
        (("load_cold", 20.0, "kg"), "The 20 kg put in cold"),
    ],
)
def test_every_kind_of_change_is_said_in_words(step, words):
    kind, amount, unit_words = step
    one = Change(
        bank="v3-aux", steps=(Step(kind=kind, amount=amount, unit=unit_words),), chance=0.94, enough=True
    )
    assert planwords.change_words(one, bank()) == f"{words}: then 94 % of trips come through."
    poor = one.model_copy(update={"enough": False, "chance": 0.4})
    assert planwords.change_words(poor, bank()) == f"{words}: not enough alone (40 %)."
