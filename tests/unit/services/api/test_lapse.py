import pytest

from services.api.lapse import LAPSES_AFTER_MS, all_as_shown, as_shown
from services.domain import Verdict
from tests.helpers.larder import NOW_MS, card

LATE = NOW_MS + LAPSES_AFTER_MS + 1


@pytest.mark.parametrize("verdict", list(Verdict))
def test_a_fresh_verdict_is_shown_as_it_is(verdict):
    found = card(standing=verdict, computed=verdict)
    assert as_shown(found, NOW_MS + LAPSES_AFTER_MS) is found


@pytest.mark.parametrize("verdict", [Verdict.OK, Verdict.WATCH])
def test_good_becomes_not_known_when_nobody_judges_any_more(verdict):
    shown = as_shown(card(standing=verdict, computed=verdict), LATE)
    assert (shown.standing, shown.computed) == (Verdict.NO_DATA, Verdict.NO_DATA)
    assert "not judged for 5 min" in shown.standing_why


@pytest.mark.parametrize("verdict", [Verdict.NO_DATA, Verdict.HOLD, Verdict.DISCARD_ADVISED])
def test_what_is_worse_than_not_known_stays(verdict):
    shown = as_shown(card(standing=verdict, standing_why="as it was", computed=Verdict.OK), LATE)
    assert (shown.standing, shown.standing_why) == (verdict, "as it was")
    assert shown.computed is Verdict.NO_DATA


def test_a_verdict_from_a_time_still_to_come_is_none():
    shown = as_shown(card(as_of=LATE), NOW_MS)
    assert (shown.standing, shown.computed) == (Verdict.NO_DATA, Verdict.NO_DATA)
    assert "clock" in shown.standing_why
    nearly = card(as_of=NOW_MS + LAPSES_AFTER_MS)
    assert as_shown(nearly, NOW_MS) is nearly


def test_a_list_lapses_card_by_card():
    fresh, stale = card(as_of=LATE), card()
    assert [c.standing for c in all_as_shown([fresh, stale], LATE)] == [Verdict.OK, Verdict.NO_DATA]
