"""Whatever the probe, the volts and the machine do, the control law keeps its promises."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_sim.firmware.control import DEAD_V, RETRY_S, Control, Limits, decide

moments = st.tuples(
    st.one_of(st.floats(-25.0, 45.0), st.just(float("nan"))),
    st.one_of(st.floats(9.0, 14.5), st.just(0.0)),
    st.booleans(),
)


def _limits(rest_s, cutout_delay_s, restart_delay_s, lowest):
    given_ones = (3.0, 1.0, 11.4, 12.5, cutout_delay_s, restart_delay_s, rest_s, 9.6, lowest)
    return Limits(*(np.array([value]) for value in given_ones))


@settings(max_examples=150, deadline=None)
@given(
    seen=st.lists(moments, min_size=1, max_size=120),
    step_s=st.sampled_from([1.0, 10.0, 30.0, 60.0]),
    rest_s=st.sampled_from([60.0, 180.0, 300.0]),
    delays_s=st.tuples(st.sampled_from([0.0, 30.0, 60.0]), st.sampled_from([60.0, 120.0, 300.0])),
    lowest=st.sampled_from([0.5, 1.0]),
)
def test_the_law_never_breaks_its_limits(seen, step_s, rest_s, delays_s, lowest):
    limits, state = _limits(rest_s, *delays_s, lowest), Control.start(1)
    stopped_s, failed_s, back_s = 3600.0, 3600.0, 0.0
    for probe_c, volts, turns in seen:
        was_on, was_locked, was_alive = bool(state.on[0]), bool(state.locked[0]), bool(state.alive[0])
        turning = was_on and turns
        back_s = back_s + step_s if was_locked and volts >= 12.5 else 0.0
        decide(
            limits,
            state,
            probe_c=np.array([probe_c]),
            terminal_v=np.array([volts]),
            turning=np.array([turning]),
            step_s=step_s,
        )
        on, locked, alive = bool(state.on[0]), bool(state.locked[0]), bool(state.alive[0])
        stopped_s = 0.0 if turning and not on else stopped_s + step_s
        failed_s = 0.0 if was_on and not turning else failed_s + step_s
        assert not (on and (locked or not alive))
        assert volts >= max(DEAD_V, 9.6) or not alive
        if on and not was_on:
            assert stopped_s >= rest_s, "started before its rest was over"
            assert failed_s >= RETRY_S, "tried again too soon"
        if was_locked and not locked and was_alive and alive:
            assert back_s >= delays_s[1], "let go before the volts were back for long enough"
        if on and not was_on and not np.isnan(probe_c):
            assert probe_c > 2.0, "started although it was cold"
        assert bool(state.speed_share[0] > 0.0) == on
        assert not on or lowest <= state.speed_share[0] <= 1.0


@settings(max_examples=60, deadline=None)
@given(volts=st.lists(st.floats(9.7, 11.39), min_size=3, max_size=40))
def test_volts_that_stay_low_stop_it_after_the_delay_and_keep_it_stopped(volts):
    limits, state = _limits(180.0, 30.0, 120.0, 1.0), Control.start(1)
    ran = []
    for volt in [12.6, *volts]:
        decide(
            limits,
            state,
            probe_c=np.array([12.0]),
            terminal_v=np.array([volt]),
            turning=state.on.copy(),
            step_s=30.0,
        )
        ran.append(bool(state.on[0]))
    assert ran[:2] == [True, True]
    assert not any(ran[2:])
    assert state.cutouts[0] == 1
