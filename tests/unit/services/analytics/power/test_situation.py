import numpy as np
import pytest

from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.situation import SHORT_RUN_H, usual_run_h
from services.telemetry import Series
from tests.helpers.made_supply import START_MS, Story, settings_for


def runs(states):
    t_ms = START_MS + np.arange(len(states), dtype=np.int64) * 60_000
    series = Series(
        t_ms, {"compressor_on": np.array(states, dtype=float), "battery_v": np.full(t_ms.size, 12.4)}
    )
    return runs_of(frame_of(series, settings_for(Story()), None))


def test_the_usual_run_is_the_middle_one_of_those_seen_to_their_end():
    seen = ([1] * 12 + [0] * 20) * 3 + [1] * 30 + [0] * 20 + [1] * 500
    assert usual_run_h(runs(seen)) == pytest.approx(0.2)


def test_a_machine_that_was_never_seen_to_stop_has_none():
    assert usual_run_h(runs([1] * 50)) == SHORT_RUN_H
