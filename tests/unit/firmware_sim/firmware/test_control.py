from dataclasses import replace

import numpy as np
import pytest

from firmware_sim.firmware.control import (
    BLIND_CYCLE_S,
    GIVEN_UP_S,
    MOST_TRIES,
    RETRY_S,
    Control,
    Limits,
    decide,
)

STEP_S = 30.0


def _limits(units=1, **changes):
    given = {
        "set_point_c": 3.0,
        "half_differential_k": 1.0,
        "cutout_v": 11.4,
        "restart_v": 12.5,
        "cutout_delay_s": 30.0,
        "restart_delay_s": 120.0,
        "rest_s": 180.0,
        "brownout_v": 0.0,
        "lowest_speed_share": 1.0,
        **changes,
    }
    return Limits(**{name: np.full(units, value) for name, value in given.items()})


def _step(state, limits, *, probe_c=3.0, volts=12.7, turns=True):
    turning = state.on & np.asarray(turns)
    decide(
        limits,
        state,
        probe_c=np.broadcast_to(np.asarray(probe_c, dtype=float), state.on.shape),
        terminal_v=np.broadcast_to(np.asarray(volts, dtype=float), state.on.shape),
        turning=turning,
        step_s=STEP_S,
    )
    return bool(state.on[0])


def _run(state, limits, steps, **seen):
    return [_step(state, limits, **seen) for _ in range(steps)]


def test_it_runs_from_the_upper_to_the_lower_end_of_the_differential():
    limits, state = _limits(), Control.start(1)
    answers = [_step(state, limits, probe_c=c) for c in (3.9, 4.0, 3.5, 3.0, 2.1, 2.0, 2.5)]
    assert answers == [False, True, True, True, True, False, False]


def test_it_rests_for_its_shortest_stop_before_it_starts_again():
    limits, state = _limits(), Control.start(1)
    assert _step(state, limits, probe_c=5.0)
    assert not _step(state, limits, probe_c=1.0)
    assert _run(state, limits, 7, probe_c=5.0) == [False] * 5 + [True, True]


def test_low_volts_must_last_for_the_delay_before_they_stop_it():
    limits, state = _limits(), Control.start(1)
    _step(state, limits, probe_c=6.0)
    assert _run(state, limits, 2, probe_c=6.0, volts=11.3) == [True, False]
    assert state.locked[0]
    assert state.cutouts[0] == 1


def test_one_dip_shorter_than_the_delay_is_forgiven():
    limits, state = _limits(), Control.start(1)
    _step(state, limits, probe_c=6.0)
    volts = [11.3, 12.0, 11.3, 12.0]
    assert all(_step(state, limits, probe_c=6.0, volts=v) for v in volts)
    assert state.cutouts[0] == 0


def test_it_stays_locked_between_cut_out_and_cut_in_however_warm_it_gets():
    limits, state = _limits(), Control.start(1)
    _run(state, limits, 4, probe_c=9.0, volts=11.0)
    assert not any(_run(state, limits, 200, probe_c=20.0, volts=12.4))


def test_it_starts_again_when_the_volts_were_back_for_the_delay_without_a_break():
    limits, state = _limits(), Control.start(1)
    _run(state, limits, 12, probe_c=9.0, volts=11.0)
    assert _run(state, limits, 3, probe_c=9.0, volts=12.6) == [False] * 3
    _step(state, limits, probe_c=9.0, volts=12.4)
    assert _run(state, limits, 4, probe_c=9.0, volts=12.6) == [False, False, False, True]


def test_low_volts_while_it_stands_do_not_count():
    limits, state = _limits(), Control.start(1)
    _run(state, limits, 20, probe_c=3.0, volts=11.0)
    assert not state.locked[0]
    assert state.cutouts[0] == 0


def test_without_a_battery_no_voltage_stops_it():
    limits, state = _limits(cutout_v=0.0, restart_v=0.0), Control.start(1)
    assert all(_run(state, limits, 50, probe_c=9.0, volts=1.0))


def test_a_machine_that_does_not_turn_is_tried_a_few_times_then_left_alone():
    limits, state = _limits(), Control.start(1)
    answers = _run(state, limits, 400, probe_c=9.0, turns=False)
    starts = [k * STEP_S for k, on in enumerate(answers) if on]
    gaps = np.diff(starts).tolist()
    assert gaps[: MOST_TRIES - 1] == [RETRY_S + STEP_S] * (MOST_TRIES - 1)
    assert gaps[MOST_TRIES - 1] == GIVEN_UP_S + STEP_S
    assert state.failed_starts[0] == len(starts)


def test_a_start_that_succeeds_ends_the_counting():
    limits, state = _limits(), Control.start(1)
    _run(state, limits, 4, probe_c=9.0, turns=False)
    assert state.tries[0] > 0
    _run(state, limits, 6, probe_c=9.0)
    assert state.on[0]
    assert state.tries[0] == 0


def test_without_a_probe_it_runs_half_the_time():
    limits, state = _limits(), Control.start(1)
    steps = int(4 * BLIND_CYCLE_S / STEP_S)
    answers = _run(state, limits, steps, probe_c=np.nan)
    assert np.mean(answers) == pytest.approx(0.5, abs=0.02)


def test_a_probe_that_comes_back_is_obeyed_again():
    limits, state = _limits(), Control.start(1)
    _run(state, limits, 5, probe_c=np.nan)
    assert not _step(state, limits, probe_c=1.5)


def test_electronics_that_go_out_forget_and_start_only_after_a_rest():
    limits, state = _limits(brownout_v=9.6), Control.start(1)
    _step(state, limits, probe_c=9.0)
    assert not _step(state, limits, probe_c=9.0, volts=9.0)
    assert not state.alive[0]
    _step(state, limits, probe_c=9.0, volts=9.7)  # not far enough above
    assert not state.alive[0]
    answers = _run(state, limits, 8, probe_c=9.0, volts=12.8)
    assert state.alive[0]
    assert state.boots[0] == 2
    assert answers == [False] * 6 + [True, True]


def test_electronics_that_come_back_below_cut_out_stay_locked():
    limits, state = _limits(brownout_v=9.6), Control.start(1)
    _step(state, limits, volts=9.0)
    _step(state, limits, probe_c=9.0, volts=10.5)
    assert state.alive[0]
    assert state.locked[0]


def test_a_machine_of_variable_speed_runs_as_fast_as_it_is_warm():
    limits, state = _limits(lowest_speed_share=0.5), Control.start(1)
    shares = []
    for probe_c in (3.0, 4.0, 5.0, 20.0):
        _step(state, limits, probe_c=probe_c)
        shares.append(float(state.speed_share[0]))
    assert shares == [0.0, 0.625, 0.75, 1.0]


def test_units_decide_alike_together_and_alone():
    rng = np.random.default_rng(7)
    limits = _limits(3, brownout_v=9.6)
    limits = replace(limits, set_point_c=np.array([3.0, -18.0, 2.0]), rest_s=np.array([60.0, 180.0, 300.0]))
    together = Control.start(3)
    alone = [Control.start(1) for _ in range(3)]
    for _ in range(500):
        probe = limits.set_point_c + rng.normal(0.0, 2.0, 3)
        probe[rng.random(3) < 0.02] = np.nan
        volts = rng.normal(11.8, 0.8, 3)
        turns = rng.random(3) > 0.05
        _step(together, limits, probe_c=probe, volts=volts, turns=turns)
        for k, one in enumerate(alone):
            mine = Limits(**{name: values[k : k + 1] for name, values in vars(limits).items()})
            _step(one, mine, probe_c=probe[k : k + 1], volts=volts[k : k + 1], turns=turns[k : k + 1])
    for name, values in together.arrays().items():
        assert np.array_equal(values, np.concatenate([one.arrays()[name] for one in alone])), name
