import numpy as np
import pytest

from services.analytics.food.lagfit import Fit, fit, narrowed
from services.analytics.food.lags import LAGS_MIN, Memory, follow, lags_ms
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS

MINUTES = 2880


def cycling(rng, *, lag_min, offset_k=0.0, noise_k=0.03, minutes=MINUTES, swing_k=3.0):
    """Return two days of air with lid openings and a probe that followed it."""
    t_ms = MIDNIGHT_MS + np.arange(minutes, dtype=np.int64) * MINUTE_MS
    air_c = 3.0 + swing_k * np.sin(np.arange(minutes) * 2 * np.pi / 720) + rng.normal(0, 0.1, minutes)
    for start in rng.integers(0, minutes - 30, 12):
        air_c[start : start + 10] += 2 * swing_k
    food, _ = follow(t_ms, air_c, lags=np.array([lag_min * MINUTE_MS]), memory=Memory.at(np.array([3.0])))
    return t_ms, air_c, np.round(food[0] + offset_k + rng.normal(0, noise_k, minutes), 2)


@pytest.mark.parametrize("lag_min", [20.0, 95.0, 200.0, 400.0])
@pytest.mark.parametrize("offset_k", [0.0, 1.0])
def test_a_probe_teaches_the_lag_it_has(lag_min, offset_k):
    t_ms, air_c, probe_c = cycling(np.random.default_rng(4), lag_min=lag_min, offset_k=offset_k)
    found = fit(t_ms, air_c, t_ms, probe_c)
    assert found is not None
    assert found.low_min <= lag_min <= found.high_min
    assert found.lag_min == pytest.approx(lag_min, rel=0.35)
    assert found.rmse_k < 0.2
    assert found.hours == pytest.approx(48, abs=0.1)


def test_a_probe_read_at_its_own_times_teaches_the_same():
    t_ms, air_c, probe_c = cycling(np.random.default_rng(5), lag_min=95.0)
    rare = fit(t_ms, air_c, t_ms[3::10] + 17_000, probe_c[3::10])
    assert rare is not None
    assert rare.low_min <= 95.0 <= rare.high_min


def test_too_short_too_still_or_unlike_any_lag_teaches_nothing():
    rng = np.random.default_rng(6)
    t_ms, air_c, probe_c = cycling(rng, lag_min=95.0)
    assert fit(t_ms[:1300], air_c[:1300], t_ms[:1300], probe_c[:1300]) is None
    assert fit(t_ms[:50], air_c[:50], t_ms, probe_c) is None
    assert fit(t_ms, air_c, t_ms, np.full(MINUTES, 3.0)) is None
    assert fit(t_ms, air_c, t_ms, 3.0 + rng.normal(0, 3, MINUTES)) is None


def test_probe_readings_where_no_air_was_measured_do_not_count():
    t_ms, air_c, probe_c = cycling(np.random.default_rng(7), lag_min=95.0)
    known = (np.arange(MINUTES) < 60) | (np.arange(MINUTES) > 2820)
    assert fit(t_ms[known], air_c[known], t_ms, probe_c) is None


def test_a_fit_narrows_the_slow_end_and_never_the_quick_one():
    fitted = Fit(lag_min=95.0, low_min=80.0, high_min=110.0, rmse_k=0.05, hours=48.0)
    found = narrowed(lags_ms(None), fitted) / MINUTE_MS
    assert found.tolist() == pytest.approx([20.0, 45.0, 95.0, 180.0, 220.0])
    slow = Fit(lag_min=500.0, low_min=400.0, high_min=700.0, rmse_k=0.05, hours=48.0)
    assert (narrowed(lags_ms(None), slow) / MINUTE_MS).tolist() == pytest.approx(list(LAGS_MIN))
    quick = Fit(lag_min=10.0, low_min=8.0, high_min=12.0, rmse_k=0.05, hours=48.0)
    assert (narrowed(lags_ms(None), quick) / MINUTE_MS).tolist() == pytest.approx([20.0, 45.0, 95.0])


def test_its_words_name_the_lag_and_how_well_it_fits():
    words = Fit(lag_min=95.0, low_min=80.0, high_min=110.0, rmse_k=0.05, hours=48.0).words
    assert "95 min (80 to 110)" in words
    assert "0.05 K over 48 h" in words
