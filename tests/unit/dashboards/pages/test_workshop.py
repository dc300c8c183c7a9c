import pytest

from dashboards.pages.workshop import _order, battery_words, evidence_words
from services.domain import Evidence
from services.timebase import DAY_MS
from tests.helpers.larder import CUTOUT, FINDING, NOW_MS, card


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
        ("Charge", "0% to 20%, likely 10%"),
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


def test_what_stands_still_comes_before_what_is_due_and_what_is_due_before_the_rest():
    soon = FINDING.model_copy(update={"due": NOW_MS + DAY_MS})
    queue = [
        card("v3-meat", cut_out_now=True),
        card("v3-veg", service=(soon,)),
        card("camp-milk", service=(FINDING,)),
        card("camp-fish", cutouts=(CUTOUT,)),
        card("camp-new"),
    ]
    assert sorted([queue[n] for n in (3, 1, 4, 0, 2)], key=_order) == queue
