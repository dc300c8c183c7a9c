from zoneinfo import ZoneInfo

import pytest

from dashboards.saidwords import device_words, said_lines, statement_words
from services.api.schemas import StatementRow
from services.domain import PhoneTimes
from services.timebase import HOUR_MS
from tests.helpers.larder import NOW_MS

ZONE = ZoneInfo("Africa/Lusaka")


def said(kind, no=1, **body):
    return StatementRow(id=no, t_ms=NOW_MS, unit="v3-meat", who="Jonas K.", kind=kind, body=body)


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        (said("unit_state", state="off"), "Jonas K.: switched off."),
        (said("emptied"), "Jonas K.: emptied."),
        (said("probe", probe_c=0.0, note=""), "Jonas K.: probe reading in food: core 0.0 °C."),
        (
            said("probe", probe_c=3.0, surface_c=0.0, note="steaks"),
            "Jonas K.: probe reading in food: core 3.0 °C, surface 0.0 °C. steaks",
        ),
        (
            said("ice_point", reading_c=-1.2, channel="product", note=""),
            "Jonas K.: in melting ice the sensor (product) read \N{MINUS SIGN}1.2 °C.",
        ),
        (said("signed", note="week 10"), "Jonas K.: signed for the record. week 10"),
        (said("note", note="lid was open"), "Jonas K.: note. lid was open"),
        (said("help", note="warm"), "Jonas K.: asked for help. warm"),
        (
            said("release", disposition="moved", probe_c=3.4, reason="to the other chest"),
            "Jonas K.: closed the hold: moved to another cabinet: core 3.4 °C. to the other chest",
        ),
        (
            said("corrected", line=12, about="probe", probe_c=0.0, note="wrong cabinet"),
            "Jonas K.: corrects line 12 (probe reading in food): it read 0.0 °C. wrong cabinet",
        ),
        (
            said("corrected", line=9, about="emptied", withdrawn=True, note="tapped by mistake"),
            "Jonas K.: takes back line 9 (emptied). tapped by mistake",
        ),
    ],
)
def test_what_was_said_is_told_in_a_sentence(statement, words):
    assert statement_words(statement) == words


def test_a_corrected_line_says_by_which_and_a_correction_cannot_be_chosen():
    lines = said_lines([said("corrected", 13, line=12, about="probe"), said("probe", 12)], {12: 13}, ZONE)
    assert [(line.no, line.corrected, line.open) for line in lines] == [(13, "", False), (12, "13", True)]
    assert lines[1].at == "2026-03-04 17:05, name not verified"


def test_the_clock_of_a_phone_is_told_with_how_far_it_was_off():
    times = PhoneTimes(said=NOW_MS - HOUR_MS, sent=NOW_MS, received=NOW_MS + 4_000, ahead_ms=-4_000)
    assert device_words(times, ZONE) == "phone's clock 2026-03-04 16:05, 4 s behind"
    ahead = times.model_copy(update={"ahead_ms": 90_400})
    assert device_words(ahead, ZONE) == "phone's clock 2026-03-04 16:05, 90 s ahead"
    far = times.model_copy(update={"ahead_ms": 3 * HOUR_MS})
    assert device_words(far, ZONE) == "phone's clock 2026-03-04 16:05, 3 h 00 min ahead"
    doubtful = times.model_copy(update={"doubt": "older than three days"})
    assert device_words(doubtful, ZONE).endswith("doubtful: older than three days")
    assert device_words(None, ZONE) == ""
