from itertools import pairwise

import numpy as np
import pytest

from services.analytics.food.enthalpy import BEEF_SELECT, LEAN_BEEF, enthalpy_kj_per_kg
from services.analytics.food.freezing import FATTY_UP_TO_MS, FINE_MS, Frozen, finer, follow_frozen
from services.analytics.food.lags import LAGS_MIN, Memory, follow
from tests.helpers.logs import MINUTE_MS

LAGS = np.array(LAGS_MIN) * MINUTE_MS
FOODS = Frozen.of(LAGS)


def start(value_c=-18.0):
    return Memory.at(np.full(LAGS.size, value_c))


def summer_day(rng, minutes=3000):
    """Return a freezer that stops for twenty hours, minute by minute."""
    t_ms = np.arange(minutes, dtype=np.int64) * MINUTE_MS
    warm = (t_ms > 500 * MINUTE_MS) & (t_ms < 1700 * MINUTE_MS)
    return t_ms, np.where(warm, 12.0, -18.0) + rng.normal(0, 0.5, minutes)


def by_small_steps(t_ms, air_c, *, start_c=-18.0, parts=4):
    """Return the same foods by heat balance in small explicit steps on the exact content curve."""
    made_of = [BEEF_SELECT if lag <= FATTY_UP_TO_MS else LEAN_BEEF for lag in LAGS]
    fine_c = np.concatenate(
        (np.linspace(-40, -6, 4000), np.linspace(-5.99, 0, 6000), np.linspace(0.01, 60, 4000))
    )
    tables = [enthalpy_kj_per_kg(fine_c, food) for food in made_of]
    food = np.empty((LAGS.size, t_ms.size))
    food[:, 0] = start_c
    for i, (lag, of, table) in enumerate(zip(LAGS, made_of, tables, strict=True)):
        content, now = float(enthalpy_kj_per_kg(np.array([start_c]), of)[0]), start_c
        for k, ((t0, a0), (t1, a1)) in enumerate(pairwise(zip(t_ms.tolist(), air_c.tolist(), strict=True))):
            for part in range(parts):
                air = a0 + (a1 - a0) * (part + 0.5) / parts
                content += of.thawed_kj_per_kg_k / lag * (air - now) * (t1 - t0) / parts
                now = float(np.interp(content, table, fine_c))
            food[i, k + 1] = now
    return food


def test_a_freezer_that_stops_and_starts_agrees_with_a_heat_balance_in_small_steps():
    t_ms, air_c = summer_day(np.random.default_rng(1))
    found, _ = follow_frozen(t_ms, air_c, foods=FOODS, memory=start())
    exact = by_small_steps(t_ms, air_c)
    assert np.abs(found - exact).max() < 0.25
    for limit_c in (-12.0, -5.0, 0.0, 5.0):
        minutes, expected = (found > limit_c).sum(axis=1), (exact > limit_c).sum(axis=1)
        assert np.all(np.abs(minutes - expected) <= np.maximum(5, 0.01 * expected)), limit_c


def test_thawed_food_is_a_plain_lag_to_the_last_bit():
    rng = np.random.default_rng(2)
    t_ms = np.arange(2000, dtype=np.int64) * MINUTE_MS
    air_c = 6.0 + rng.normal(0, 3, 2000)
    found, _ = follow_frozen(t_ms, air_c, foods=FOODS, memory=start(6.0))
    plain, _ = follow(t_ms, air_c, lags=LAGS, memory=start(6.0))
    assert plain.min() > -1.0
    assert np.array_equal(found, plain)


def test_deep_frozen_food_is_a_plain_but_quicker_lag_to_the_last_bit():
    t_ms = np.arange(2000, dtype=np.int64) * MINUTE_MS
    air_c = -18.0 + 2.0 * np.sin(np.arange(2000) / 5.0)
    found, _ = follow_frozen(t_ms, air_c, foods=FOODS, memory=start())
    lags = np.array([taus[0] for taus in FOODS.taus])
    assert np.array_equal(found, follow(t_ms, air_c, lags=lags, memory=start())[0])


def test_ice_keeps_food_at_freezing_for_as_long_as_its_heat_of_melting_says():
    # From -1.1 °C upwards nothing more melts: the time there is (H(tf) - H(-12)) / (c (Ta - T)) on average.
    t_ms = np.arange(3000, dtype=np.int64) * MINUTE_MS
    food, _ = follow_frozen(
        t_ms,
        np.full(3000, 10.0),
        foods=Frozen.of(np.array([180.0 * MINUTE_MS])),
        memory=Memory.at(np.array([-12.0])),
    )
    passed = int(np.argmax(food[0] > LEAN_BEEF.freezing_c))
    t_c = np.linspace(-12.0, -1.1, 20_001)
    content = enthalpy_kj_per_kg(t_c, LEAN_BEEF)
    middle = (t_c[1:] + t_c[:-1]) / 2
    minutes = 180.0 / LEAN_BEEF.thawed_kj_per_kg_k * float(np.sum(np.diff(content) / (10.0 - middle)))
    assert passed == pytest.approx(minutes, rel=0.01)
    plain, _ = follow(
        t_ms, np.full(3000, 10.0), lags=np.array([180.0 * MINUTE_MS]), memory=Memory.at(np.array([-12.0]))
    )
    assert passed > 5 * int(np.argmax(plain[0] > LEAN_BEEF.freezing_c))


@pytest.mark.parametrize("seed", range(4))
def test_a_stream_cut_anywhere_gives_the_batch_to_the_last_bit(seed):
    rng = np.random.default_rng(seed)
    spacing = rng.choice(
        [30_000, 60_000, 600_000, 6_000_000, 60_000_000], 1500, p=[0.4, 0.4, 0.15, 0.03, 0.02]
    )
    t_ms = np.cumsum(spacing).astype(np.int64)
    air_c = rng.normal(-8, 12, 1500) if seed % 2 else np.repeat(rng.normal(-8, 12, 15), 100)
    batch, _ = follow_frozen(t_ms, air_c, foods=FOODS, memory=start())
    cuts = np.unique(np.concatenate(([0], rng.integers(0, 1499, 600), [1499])))
    memory, pieces = start(), [batch[:, :1]]
    for begin, end in pairwise(cuts.tolist()):
        food, memory = follow_frozen(
            t_ms[begin : end + 1], air_c[begin : end + 1], foods=FOODS, memory=memory
        )
        pieces.append(food[:, 1:])
    assert np.array_equal(np.concatenate(pieces, axis=1), batch)
    assert np.isfinite(batch).all()


def test_food_never_leaves_the_band_of_the_air_it_has_seen():
    rng = np.random.default_rng(9)
    t_ms = np.cumsum(rng.integers(1000, 90 * MINUTE_MS, 3000))
    air_c = rng.normal(-3, 15, 3000)
    food, _ = follow_frozen(t_ms, air_c, foods=FOODS, memory=start(air_c[0]))
    highest, lowest = np.maximum.accumulate(air_c), np.minimum.accumulate(air_c)
    assert np.all(food <= highest + 1e-6)
    assert np.all(food >= lowest - 1e-6)


def test_a_joint_met_exactly_is_left_towards_the_air():
    for value, air in ((-12.0, -20.0), (-12.0, -5.0), (-1.1, -20.0), (-1.7, 5.0)):
        t_ms = np.array([0, 20 * MINUTE_MS], dtype=np.int64)
        food, _ = follow_frozen(t_ms, np.array([air, air]), foods=FOODS, memory=start(value))
        assert np.all(np.sign(food[:, 1] - value) == np.sign(air - value))
        assert np.all(np.abs(food[:, 1] - value) < abs(air - value))


def test_points_lie_close_between_known_samples_and_nowhere_else():
    t_ms = np.array([0, 1, 11, 200, 201], dtype=np.int64) * MINUTE_MS
    air_c = np.array([0.0, 1.0, 11.0, 20.0, 20.0])
    times, air = finer(t_ms, air_c, gap_ms=30.0 * MINUTE_MS)
    assert set(t_ms.tolist()) <= set(times.tolist())
    assert np.allclose(air, np.interp(times, t_ms, air_c))
    assert np.diff(times).tolist() == [MINUTE_MS, *[FINE_MS] * 5, 189 * MINUTE_MS, MINUTE_MS]
    same = finer(t_ms[:2], air_c[:2], gap_ms=30.0 * MINUTE_MS)
    assert same[0] is not None
    assert same[0].size == 2
