import pytest

from dashboards.leaving import Reasons, answer_of, reasons_of
from services.domain import SensorFlag, Verdict
from services.timebase import HOUR_MS
from tests.helpers.larder import NO_BATTERY, NOW_MS, card, fleet, runout

WELL = runout(
    hours_p10=40.0, hours_p50=60.0, hours_p90=90.0, lasts_hours=tuple(30.0 + 4.0 * k for k in range(21))
)
UNTIL_MS = NOW_MS + 12 * HOUR_MS


def reasons(**changes):
    return reasons_of(card(**({"runout": WELL} | changes)), until_ms=UNTIL_MS, now_ms=NOW_MS)


def answer(**changes):
    one = card(**({"runout": WELL} | changes))
    return answer_of([one], [reasons(**changes)], [])


def test_cold_charged_and_heard_may_leave():
    assert reasons() == Reasons((), ())
    assert answer() == "yes"
    assert answer(runout=NO_BATTERY) == "yes"
    beyond = runout(
        reason="beyond_horizon",
        hours_p10=None,
        hours_p50=None,
        hours_p90=None,
        hours_p10_reason="x",
        hours_p50_reason="x",
        hours_p90_reason="x",
        lasts_hours=(),
    )
    assert answer(runout=beyond) == "yes"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"standing": Verdict.HOLD}, "Hold \N{EN DASH} do not serve"),
        ({"standing": Verdict.DISCARD_ADVISED}, "Discard advised"),
        ({"standing": Verdict.WATCH, "latest": {"cabinet_c": 8.04}}, "stands at 8.0 °C, its limit is 5.0 °C"),
        ({"cut_out_now": True}, "has cut out"),
        ({"runout": runout()}, "may not last until 05:05 tomorrow without charging (chance 50 %)"),
    ],
)
def test_what_is_wrong_keeps_it_here_and_says_why(changes, words):
    assert answer(**changes) == "not_yet"
    assert any(words in told for told in reasons(**changes).wrong)


@pytest.mark.parametrize(
    "changes",
    [
        {"standing": Verdict.NO_DATA, "standing_why": "silent"},
        {"latest": {}},
        {"observed_at": None},
        {"observed_at": NOW_MS - 2 * HOUR_MS},
        {"runout": runout(reason="not_enough_data")},
        {"sensors": (SensorFlag(channel="cabinet", flag="stuck", start=NOW_MS - HOUR_MS, end=None),)},
    ],
)
def test_what_nobody_knows_is_never_a_yes(changes):
    assert answer(**changes) == "unknown"


def test_a_reading_of_zero_degrees_is_a_reading():
    assert answer(latest={"cabinet_c": 0.0}) == "yes"


def test_what_is_wrong_is_told_before_what_is_unknown():
    both = [Reasons(("too warm",), ()), Reasons((), ("silent",))]
    assert answer_of([card(), card("v3-veg")], both, []) == "not_yet"


def test_a_cabinet_nobody_ever_heard_makes_the_vehicle_unknown():
    silent = [unit for unit in fleet().units if unit.id == "v3-veg"]
    assert answer_of([card()], [Reasons((), ())], silent) == "unknown"
    assert answer_of([], [], silent) == "unknown"


def test_a_cabinet_out_of_use_keeps_nobody_unless_it_is_held():
    assert reasons(state="off", observed_at=None) == Reasons((), ())
    off = card(state="off")
    assert answer_of([off], [Reasons((), ())], []) == "nothing"
    assert reasons(state="off", standing=Verdict.HOLD).wrong
