import numpy as np
import pytest

from services.analytics.food import track
from services.analytics.food.lags import lags_ms
from services.timebase import DAY_MS
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS

GAP_MS = 3.0 * MINUTE_MS


def times(*minutes):
    return MIDNIGHT_MS + np.array(minutes, dtype=np.int64) * MINUTE_MS


def probe(*lines, gap_ms=GAP_MS):
    return track.start(lines or (track.Line(5.0),), lags=np.empty(0), gap_ms=gap_ms)


def test_a_clock_that_saw_nothing_has_no_newest_sample():
    assert probe().last_ms is None
    assert track.extend(probe(), times(), np.empty(0)).last_ms is None


def test_silence_beyond_the_gap_limit_is_unknown_from_the_last_sample_on():
    clock = track.extend(probe(), times(0, 1, 2), np.array([4.0, 4.0, 4.0]))
    short = track.summary(clock, from_ms=MIDNIGHT_MS, as_of_ms=MIDNIGHT_MS + 5 * MINUTE_MS)
    long = track.summary(clock, from_ms=MIDNIGHT_MS, as_of_ms=MIDNIGHT_MS + 6 * MINUTE_MS)
    assert (short.minutes_unknown, long.minutes_unknown) == (0, 4)


def test_samples_that_are_not_later_are_refused():
    clock = track.extend(probe(), times(0, 1), np.array([4.0, 4.0]))
    with pytest.raises(ValueError, match="later"):
        track.extend(clock, times(1), np.array([4.0]))
    with pytest.raises(ValueError, match="finite"):
        track.extend(clock, times(2), np.array([np.nan]))


def test_time_below_a_limit_is_counted_where_food_must_not_freeze():
    clock = track.extend(probe(track.Line(2.0, below=True)), times(0, 1, 2), np.array([3.0, 1.0, 1.0]))
    found = track.summary(clock, from_ms=MIDNIGHT_MS, as_of_ms=MIDNIGHT_MS + 2 * MINUTE_MS)
    assert found.minutes_above == pytest.approx(1.5)


def test_food_starts_where_it_is_said_to_or_at_the_first_air():
    air_c = np.array([18.0, 18.0])
    for start_c, expected_c in ((None, 18.0), (4.0, 4.0)):
        clock = track.start((track.Line(5.0),), lags=lags_ms(None), gap_ms=GAP_MS, start_c=start_c)
        assert track.extend(clock, times(0, 1), air_c).whole_curve.highest_c[0] == expected_c


def test_what_lies_behind_the_horizon_is_forgotten_and_changes_no_minute_since():
    rng = np.random.default_rng(5)
    t_ms = times(*range(4000))
    air_c = 4.5 + np.cumsum(rng.normal(0, 0.2, 4000)) * 0.1
    lean = track.start((track.Line(5.0),), lags=lags_ms(None), gap_ms=GAP_MS, keep_ms=float(DAY_MS))
    full = track.start((track.Line(5.0),), lags=lags_ms(None), gap_ms=GAP_MS)
    full = track.extend(full, t_ms, air_c)
    for k in range(0, 4000, 100):
        lean = track.extend(lean, t_ms[k : k + 100], air_c[k : k + 100])
    assert lean.whole_curve.t_ms.size < 1440 + 300
    since = int(t_ms[-1]) - DAY_MS
    left, right = (track.summary(c, from_ms=since, as_of_ms=int(t_ms[-1])) for c in (lean, full))
    assert left.minutes_above == pytest.approx(right.minutes_above, abs=1e-9)
    assert right.minutes_above > 0


def test_the_clock_never_changes_what_it_was():
    before = track.extend(probe(), times(0, 1), np.array([6.0, 6.0]))
    track.extend(before, times(2), np.array([6.0]))
    assert before.last_ms == MIDNIGHT_MS + MINUTE_MS
    found = track.summary(before, from_ms=0, as_of_ms=MIDNIGHT_MS + MINUTE_MS)
    assert found.minutes_above == 1
