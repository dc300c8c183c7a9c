import pytest

from dashboards import text
from dashboards.pages.views import card_view, statement_words
from services.api.schemas import StatementRow
from services.domain import SensorFlag, Verdict
from services.timebase import HOUR_MS
from tests.helpers.larder import CUTOUT, NOW_MS, card, cards


def said(kind, **body):
    return StatementRow(id=1, t_ms=NOW_MS, unit="v3-meat", who="Jonas K.", kind=kind, body=body)


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        (said("unit_state", state="off"), "Jonas K.: switched off."),
        (said("emptied"), "Jonas K.: emptied."),
        (said("probe", probe_c=0.0, note=""), "Jonas K.: probe, probe 0.0 °C."),
        (
            said("ice_point", reading_c=-1.2, channel="product", note=""),
            "Jonas K.: in melting ice the product sensor read \N{MINUS SIGN}1.2 °C.",
        ),
        (said("signed", note="week 10"), "Jonas K.: signed for the record. week 10"),
        (said("note", note="lid was open"), "Jonas K.: note. lid was open"),
        (
            said("release", disposition="moved", probe_c=3.4, reason="to the other chest"),
            "Jonas K. closed the hold: moved to another cabinet, probe 3.4 °C. to the other chest",
        ),
    ],
)
def test_what_was_said_is_told_in_a_sentence(statement, words):
    assert statement_words(statement) == words


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
