import numpy as np
import pytest

from services.analytics.assess import assess, worst_between
from services.analytics.silence import LEAST_MS, silences
from services.domain import Verdict
from services.telemetry import Series
from services.timebase import Span
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS, every_minute, unit

DAY = every_minute(np.full(1440, 3.0))
LIGHT = unit(classes=("red_meat",), interval_s=60, load_kg=2.0)
LADEN = unit(classes=("red_meat",), interval_s=60, load_kg=60.0)
END_MS = int(DAY.t_ms[-1])


def quiet(settings=LIGHT, *, series=DAY, to_min=180, expected=(), from_ms=MIDNIGHT_MS):
    return silences(
        series,
        settings,
        limit_c=5.0,
        heard_ms=series.t_ms,
        expected=expected,
        from_ms=from_ms,
        to_ms=END_MS + to_min * MINUTE_MS,
    )


def at(found, minute):
    return bool(found.at(np.array([float(END_MS + minute * MINUTE_MS)]))[0])


def test_a_light_load_is_outlasted_after_an_hour_and_a_full_chest_is_not():
    assert [at(quiet(), minute) for minute in (0, 59, 60, 180)] == [False, False, True, True]
    assert not at(quiet(LADEN), 180)
    assert LEAST_MS == 60 * MINUTE_MS


def test_a_short_silence_is_never_looked_at():
    assert quiet(to_min=30).last_ms.size == 0


def test_silence_that_samples_are_awaited_for_proves_nothing():
    awaited = (Span(END_MS, END_MS + 600 * MINUTE_MS),)
    assert not at(quiet(expected=awaited), 180)


def test_a_silence_that_ended_counts_while_it_lasted_and_no_longer():
    keep = (np.arange(1440) < 600) | (np.arange(1440) >= 800)
    series = Series(DAY.t_ms[keep], {"cabinet_c": DAY.numbers("cabinet_c")[keep]})
    found = quiet(series=series, to_min=0)
    moments = MIDNIGHT_MS + np.array([599, 640, 700, 799, 800, 1000], dtype=np.float64) * MINUTE_MS
    assert found.at(moments).tolist() == [False, False, True, True, False, False]


def test_its_row_and_words_name_silence_and_hold_over():
    found = quiet()
    moment = END_MS + 90 * MINUTE_MS
    row = found.row(moment)
    assert (row.quantity, row.operator, row.unit) == ("silence", ">=", "min")
    assert (row.value, row.threshold) == (90, 60)
    assert "nothing heard for 1.5 h" in found.words(moment)


@pytest.mark.parametrize(("settings", "verdict"), [(LIGHT, Verdict.HOLD), (LADEN, Verdict.NO_DATA)])
def test_a_unit_silent_for_longer_than_its_food_keeps_is_on_hold(settings, verdict):
    moment = END_MS + 90 * MINUTE_MS
    found = assess(DAY, settings, as_of_ms=moment)
    assert found.verdict is verdict
    worst, at_ms, why = worst_between(DAY, settings, from_ms=END_MS, to_ms=moment)
    assert worst is verdict
    if verdict is Verdict.HOLD:
        assert "nothing heard" in found.verdict_why
        assert "othing heard" in why
        assert any(row.quantity == "silence" for entry in found.exposure for row in entry.reasons)
        assert assess(DAY, settings, as_of_ms=at_ms).verdict is Verdict.HOLD
    else:
        assert all(row.quantity != "silence" for entry in found.exposure for row in entry.reasons)


def test_a_box_of_drinks_is_not_held_for_its_silence():
    drinks = unit(classes=("drinks",), interval_s=60, load_kg=2.0)
    assert assess(DAY, drinks, as_of_ms=END_MS + 90 * MINUTE_MS).verdict is not Verdict.HOLD
    worst, _, _ = worst_between(DAY, drinks, from_ms=END_MS, to_ms=END_MS + 90 * MINUTE_MS)
    assert worst is not Verdict.HOLD


def test_an_empty_unit_is_not_held_for_its_silence():
    empty = unit(classes=("red_meat",), interval_s=60, load_kg=2.0, state="empty")
    assert assess(DAY, empty, as_of_ms=END_MS + 90 * MINUTE_MS).verdict is Verdict.OK
