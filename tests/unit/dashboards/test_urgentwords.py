import pytest

from dashboards.urgency import Need
from dashboards.urgentwords import by_words, task, who
from services.domain import Verdict
from services.timebase import HOUR_MS
from tests.helpers.larder import CUTOUT, NOW_MS, card, runout


def at_risk(hours):
    risk = runout().food_at_risk.model_copy(update={"from_p10": NOW_MS + round(hours * HOUR_MS)})
    return runout(food_at_risk=risk)


def test_what_must_not_be_served_needs_somebody_now():
    for need in (Need.DISCARD, Need.HOLD, Need.NOT_KNOWN):
        assert by_words(card(runout=at_risk(3)), need, NOW_MS) == "now"


def test_a_cabinet_that_stopped_has_until_its_food_is_at_risk():
    stopped = card(cut_out_now=True, runout=at_risk(3))
    assert by_words(stopped, Need.CUT_OUT, NOW_MS) == "by 20:05"
    assert by_words(card(cut_out_now=True, runout=at_risk(-1)), Need.CUT_OUT, NOW_MS) == "now"
    assert by_words(card(cut_out_now=True, runout=runout(food_at_risk=None)), Need.CUT_OUT, NOW_MS) == "now"


def test_a_battery_has_to_be_charged_before_it_gives_way_not_before_the_food_is_warm():
    assert by_words(card(runout=runout()), Need.BATTERY, NOW_MS) == "by 02:35 tomorrow"
    charging = runout(reason="charging", if_charging_stops_at=NOW_MS + HOUR_MS)
    assert by_words(card(runout=charging), Need.BATTERY, NOW_MS) == "by 03:35 tomorrow"


@pytest.mark.parametrize(
    ("cause", "words", "person"),
    [
        ("battery_flat", "charge it", "the driver"),
        ("wiring", "Measure the voltage", "workshop; until then whoever is there"),
        ("supply_interrupted", "Check plug, socket, fuse", "the driver"),
        ("unknown", "Run the unit on a charged battery", "the driver"),
    ],
)
def test_a_stop_asks_for_what_its_cause_asks_for(cause, words, person):
    stopped = card(cut_out_now=True, cutouts=(CUTOUT.model_copy(update={"cause": cause}),))
    assert words in task(stopped, Need.CUT_OUT)
    assert task(stopped, Need.CUT_OUT).startswith("It has stopped cooling. Lid shut")
    assert who(stopped, Need.CUT_OUT) == person


def test_charging_is_said_with_what_it_gains_and_its_caution():
    words = task(card(runout=runout()), Need.BATTERY)
    assert words.startswith("Charge for 40 min: gains 3.1 h")
    assert "exhaust kills" in words
    assert "exhaust kills" in task(card(runout=runout(moves=())), Need.BATTERY)


def test_silence_sends_somebody_to_look_and_a_backlog_says_that_more_comes():
    assert "does it run" in task(card(), Need.NOT_KNOWN)
    assert "on their way" in task(card(backlog_expected=True), Need.NOT_KNOWN)
    assert who(card("camp-milk"), Need.NOT_KNOWN) == "whoever is nearest"


def test_medicine_is_never_discarded_on_our_word():
    only = card(standing=Verdict.DISCARD_ADVISED, classes=("medicine",))
    assert "quarantine" in task(only, Need.DISCARD)
    assert "discard" not in task(only, Need.DISCARD)
    assert "pharmacist" in who(only, Need.DISCARD)
    both = card(standing=Verdict.HOLD, classes=("medicine", "red_meat"))
    assert task(both, Need.HOLD).endswith("ask the pharmacist.")


def test_a_cold_cabinet_asks_nobody_for_anything():
    assert task(card(), Need.COLD) == task(card(), Need.WATCH) == ""
