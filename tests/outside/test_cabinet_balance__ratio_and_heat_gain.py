"""A cabinet's heat balance, worked out apart from the code from its published parts.

Heat gain: an 82 L cabinet (600 x 360 x 380 mm inside, 50 mm of foam at 0.024 W/(m K)): walls with edge and
corner shape factors (conduction shape factors of heat-transfer texts, from memory: 0.54 for an edge of its
length, 0.15 for a corner of the wall's thickness) in series with films of 8 W/(m2 K) both sides, and
1.92 m of gasket at 0.04 W/(m K) (judgement): 0.64 W/K.

Pull-down: 77 kJ/K and 0.64 W/K in air of 35 °C, from 30 to 4 °C: 11.6 h with 60 W of cooling, 17.0 h with
45 W, 32.4 h with 30 W; time constant 33 h (worked out from ``C dT/dt = UA (Ta - T) - Q``).
"""

import math

import numpy as np
import pytest

from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.holdover import CABINET_VOLUME_L, CABINET_W_PER_K, gain_w_per_k
from services.analytics.service.health import health_days
from services.analytics.service.healthturns import capacity_ratio_k, turns_of
from services.telemetry import Series
from tests.helpers.cabinet_days import DAY_MS, FIRST_MS, HOUR_MS, settings

AIR_C, WARM_C, COLD_C = 35.0, 30.0, 4.0
GAIN, CAPACITY = 0.64, 77_000.0
TAU_H = 33.0


def test_walls_films_and_gasket_add_up_to_the_gain_that_is_taken_for_82_litres():
    length, depth, height, wall, foam = 0.600, 0.360, 0.380, 0.050, 0.024
    area = 2.0 * (length * depth + length * height + depth * height)
    edges = 4.0 * (length + depth + height)
    walls = foam * (area / wall + 0.54 * edges + 0.15 * 8.0 * wall)
    outer = 2.0 * (
        (length + 2 * wall) * (depth + 2 * wall)
        + (length + 2 * wall) * (height + 2 * wall)
        + (depth + 2 * wall) * (height + 2 * wall)
    )
    filmed = 1.0 / (1.0 / walls + 1.0 / (8.0 * area) + 1.0 / (8.0 * outer))
    gasket = 0.04 * 2.0 * (length + depth)
    assert walls == pytest.approx(0.628, abs=0.005)
    assert filmed == pytest.approx(0.565, abs=0.01)
    assert filmed + gasket == pytest.approx(CABINET_W_PER_K, abs=0.01)
    assert gain_w_per_k(settings(volume_l=CABINET_VOLUME_L)) == pytest.approx(0.64)


def cooled(hours):
    """Return the curve that takes so long from 30 to 4 °C and tends to where it then must, with what follows.

    Only the hours and the time constant are used; the cooling itself is not.
    """
    share = math.exp(-hours / TAU_H)
    coldest = (COLD_C - WARM_C * share) / (1.0 - share)
    minutes = np.arange(round(hours * 60) + 1)
    down = coldest + (WARM_C - coldest) * np.exp(-minutes / 60.0 / TAU_H)
    rest = np.arange(1, 12 * 60)
    up = AIR_C + (COLD_C - AIR_C) * np.exp(-rest / 60.0 / TAU_H)
    begin = np.full(60, WARM_C)
    cabinet = np.concatenate([begin, down, up])
    on = np.concatenate([np.zeros(60), np.ones(minutes.size), np.zeros(rest.size)])
    t_ms = FIRST_MS + np.arange(cabinet.size) * 60_000
    columns = {"cabinet_c": cabinet, "compressor_on": on, "ambient_c": np.full(cabinet.size, AIR_C)}
    return Series(t_ms.astype(np.int64), columns)


@pytest.mark.parametrize(("watts", "hours"), [(60.0, 11.6), (45.0, 17.0), (30.0, 32.4)])
def test_capacity_over_gain_comes_back_from_a_pull_down_and_a_rest_without_the_heat_capacity(watts, hours):
    frame = frame_of(cooled(hours), settings(), None)
    turns = turns_of(frame, runs_of(frame))
    run = int(np.flatnonzero(turns.on)[0])
    gap = AIR_C - turns.mean_c
    # rates at the same difference to the air: the rest's is brought to that of the run
    off = turns.rate_k_per_h[run + 1] * gap[run] / gap[run + 1]
    ratio = capacity_ratio_k(np.array([off]), -turns.rate_k_per_h[run : run + 1], gap[run : run + 1])
    assert ratio[0] == pytest.approx(watts / GAIN, rel=0.03)


def test_the_time_constant_of_the_rest_and_a_declared_load_give_the_gain_back():
    series = cooled(11.6)
    # 20 kg at 3.5 kJ/(kg K) and 6 kJ/K of liner and air: 76 kJ/K, the published 77 within 2 %
    table = health_days(
        series,
        settings(food={"load_kg": 20.0}),
        from_ms=FIRST_MS,
        to_ms=FIRST_MS + 2 * DAY_MS,
    )
    day = table.days[0]
    assert day.time_constant_h == pytest.approx(CAPACITY / GAIN / 3600.0, rel=0.02)
    assert day.gain_w_per_k == pytest.approx(GAIN, rel=0.03)
    assert series.t_ms[-1] - series.t_ms[0] > 20 * HOUR_MS


@pytest.mark.parametrize(
    ("air_c", "cabinet_c", "watts", "capacity", "duty"),
    [(25.0, 4.0, 13.5, 70.0, 0.19), (35.0, 4.0, 19.9, 60.0, 0.33), (43.0, 4.0, 25.0, 52.0, 0.48)],
)
def test_the_duty_of_the_worked_examples_is_the_gap_over_the_ratio(air_c, cabinet_c, watts, capacity, duty):
    """Heat and duty of the 0.64 W/K cabinet at three airs (worked out from the balance)."""
    gap = air_c - cabinet_c
    assert gap * GAIN == pytest.approx(watts, abs=0.15)
    # rates of a cabinet that obeys the balance, of any heat capacity
    off, on = gap * GAIN / 1000.0, (capacity - gap * GAIN) / 1000.0
    ratio = capacity_ratio_k(np.array([off]), np.array([on]), np.array([gap]))[0]
    assert gap / ratio == pytest.approx(duty, abs=0.01)
