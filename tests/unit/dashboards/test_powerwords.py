from zoneinfo import ZoneInfo

import pytest

from dashboards.powerwords import battery_words, cutout_view, energy_rows, evidence_words, move_words
from services.domain import Evidence, Move
from tests.helpers.larder import CUTOUT, NOW_MS

ZONE = ZoneInfo("Africa/Lusaka")


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (("duty_share", 0.4123, ">", 0.3, "1"), ("duty share", "0.412 > 0.3", "its own past")),
        (("drop", -0.5, "<=", 0.0, "V"), ("drop", "\N{MINUS SIGN}0.5 V ≤ 0 V", "its own past")),
    ],
)
def test_evidence_shows_both_numbers_and_their_source(row, words):
    quantity, value, operator, threshold, unit = row
    found = Evidence(
        quantity=quantity,
        value=value,
        operator=operator,
        threshold=threshold,
        unit=unit,
        source="its own past",
    )
    assert evidence_words(found) == words


def test_what_is_not_known_of_a_battery_says_why():
    known = {
        "state_of_charge": {"p10": 0.0, "p50": 0.1, "p90": 0.2},
        "source_resistance_ohm": 0.0,
        "days_since_full": 0.0,
    }
    assert battery_words({"battery": known}) == [
        ("Charge", "0 % to 20 %, likely 10 %"),
        ("Source resistance", "0 mΩ"),
        ("Last full", "0.0 days ago"),
    ]
    nothing = {
        "state_of_charge": None,
        "state_of_charge_reason": "no_capacity",
        "source_resistance_ohm": None,
        "days_since_full": None,
    }
    assert battery_words({"battery": nothing}) == [
        ("Charge", "not known: no capacity"),
        ("Source resistance", "not known: not worked out"),
        ("Last full", "not known: not worked out"),
    ]
    assert battery_words({"battery": None, "battery_reason": "fed from mains"}) == [
        ("Battery", "fed from mains")
    ]


@pytest.mark.parametrize(
    ("action", "unit", "caution"),
    [
        ("charge", "min", "open air"),
        ("set_point", "K", "never for poultry, fish or medicine"),
        ("merge", "Milk fridge", "into Milk fridge"),
        ("share", "Milk fridge", "isolated first"),
    ],
)
def test_every_move_has_words_with_its_caution(action, unit, caution):
    words = move_words(Move(action=action, amount=40.0, unit=unit, gain_hours=3.14))
    assert "gains 3.1 h" in words
    assert caution in words


def test_a_moves_own_words_come_first_and_one_that_costs_says_so():
    move = Move(action="charge", amount=40.0, unit="min", gain_hours=-0.5, words="not at night")
    assert move_words(move) == "charge for 40 min: costs 0.5 h (not at night)"


def test_a_cut_out_shows_what_its_cause_rests_on():
    row = Evidence(
        quantity="rebound", value=0.41, operator=">", threshold=0.1, unit="V", source="its own past"
    )
    full = CUTOUT.model_copy(update={"evidence": (row,), "warmed_k": 3.04, "attempts": 2})
    found = cutout_view(full, zone=ZONE, now_ms=NOW_MS)
    assert found.evidence == (("rebound", "0.41 V > 0.1 V", "its own past"),)
    assert found.facts == (
        "0.41 V came back when it let go",
        "the cabinet warmed by 3.0 K",
        "2 failed starts seen, between two readings more may go unseen",
    )
    assert "Measure the voltage at the battery and at the unit" in found.check
    bare = cutout_view(CUTOUT.model_copy(update={"rebound_v": None}), zone=ZONE, now_ms=NOW_MS)
    assert bare.facts == ()


BATTERY = {
    "state_of_charge": {"p10": 0.3, "p50": 0.4, "p90": 0.5},
    "source_resistance_ohm": 0.08,
    "days_since_full": 1.0,
    "capacity_ah": {"p10": 61.0, "p50": 70.4, "p90": 82.0},
    "capacity_change_per_year": {"p10": -0.2, "p50": -0.12, "p90": 0.0},
    "supply_path": {
        "ohm": 0.081,
        "sd_ohm": 0.004,
        "stops": 40,
        "expected_ohm": 0.06,
        "drop_share": 0.031,
        "hours_lost": 5.2,
        "advised_mm2": 6.0,
    },
    "days": [
        {"day": "2026-03-02T00:00:00.000Z", "out_ah": 21.26, "out_wh": 260.4, "charged": []},
        {
            "day": "2026-03-03T00:00:00.000Z",
            "out_ah": 24.0,
            "out_wh": 300.0,
            "charged": [
                {"source": "dc_dc", "hours": 3.5, "ah": {"p10": 20.0, "p50": 25.0, "p90": 30.0}},
                {"source": "solar", "hours": 6.0, "ah": None},
            ],
        },
    ],
}


def test_what_was_learned_of_a_bank_is_told_when_it_is_there():
    words = dict(battery_words({"battery": BATTERY}))
    assert words["Holds now"].startswith("61 to 82 Ah, likely 70 Ah; changes by \N{MINUS SIGN}12 % a year")
    assert "told only" in words["Holds now"]
    assert words["Way from the battery"] == (
        "81 ± 4 mΩ from 40 stops, a sound one 60 mΩ; takes 3.1 % of the voltage; costs 5.2 h of a full bank; "
        "advised 6 mm², fused at the battery at no more than the cable's rating"
    )


def test_a_way_that_brings_its_own_words_is_told_in_them():
    path = {**BATTERY["supply_path"], "words": "your cable costs you 5 hours"}
    words = dict(battery_words({"battery": {**BATTERY, "supply_path": path}}))
    assert words["Way from the battery"] == (
        "81 ± 4 mΩ from 40 stops, a sound one 60 mΩ. Your cable costs you 5 hours."
    )


def test_charge_out_and_in_by_day_newest_first():
    rows = energy_rows({"battery": BATTERY})
    assert [(row.day, row.out, row.charged) for row in rows] == [
        ("2026-03-03", "24.0 Ah, 300 Wh", "DC-DC charger 3.5 h, 20 to 30 Ah; panels 6.0 h"),
        ("2026-03-02", "21.3 Ah, 260 Wh", "nothing seen"),
    ]
    assert energy_rows({"battery": None}) == []
