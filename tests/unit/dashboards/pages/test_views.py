import pytest

from dashboards import text
from dashboards.pages.views import card_view
from services.domain import SensorFlag, Verdict
from services.timebase import HOUR_MS
from tests.helpers.larder import CUTOUT, NOW_MS, card, cards


def test_what_was_computed_stands_beside_only_where_it_differs():
    assert card_view(card(), NOW_MS).computed_word is None
    view = card_view(card(standing=Verdict.HOLD, computed=Verdict.OK), NOW_MS)
    assert (view.word, view.computed_word) == ("Hold \N{EN DASH} do not serve", "Cold")
    assert view.holdable


def test_zero_degrees_is_a_reading_and_none_is_not():
    assert card_view(card(latest={"cabinet_c": 0.0}), NOW_MS).reading == "0.0 °C"
    assert card_view(card(latest={}), NOW_MS).reading == "not measured"


def test_an_old_reading_is_marked():
    assert not card_view(card(), NOW_MS).old
    assert card_view(card(observed_at=NOW_MS - HOUR_MS), NOW_MS).old
    never = card_view(card(observed_at=None), NOW_MS)
    assert never.old
    assert never.heard == "never heard"


def test_notes_say_what_else_is_wrong():
    flags = (
        SensorFlag(channel="cabinet", flag="stuck", start=NOW_MS - HOUR_MS, end=None),
        SensorFlag(channel="battery", flag="jump", start=NOW_MS - HOUR_MS, end=NOW_MS),
    )
    view = card_view(
        card(
            cut_out_now=True,
            cutouts=(CUTOUT,),
            backlog_expected=True,
            sensors=flags,
            runout=cards()[0].runout,
        ),
        NOW_MS,
    )
    assert view.notes == (
        "Cut out now: wiring: voltage is lost between battery and unit.",
        "Battery may not last until dawn: chance of lasting until dawn 62 %.",
        "Older readings are still on their way.",
        "Cabinet sensor: stuck.",
    )


@pytest.mark.parametrize("state", ["empty", "off", "bench"])
def test_a_cabinet_not_in_use_is_never_called_cold(state):
    view = card_view(card(state=state), NOW_MS)
    assert (view.word, view.verdict, view.computed_word) == ("Not in use", "resting", None)
    assert view.risk == "", "nothing lies in it that anybody knows of"
    held = card_view(card(state=state, standing=Verdict.HOLD, computed=Verdict.OK), NOW_MS)
    assert (held.verdict, held.word, held.computed_word) == ("hold", text.WORDS[Verdict.HOLD], "Not in use")
