"""Charge is neither made nor lost in the simulated banks, whatever loads, chargers and weather do."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_sim.plant.battery import COULOMBIC_EFFICIENCY
from tests.helpers.electric import Rig, bank, unit

KINDS = ("flooded", "agm", "gel", "lifepo4")
EFFICIENCY = np.array([COULOMBIC_EFFICIENCY[kind] for kind in KINDS])

ACT = st.fixed_dictionaries(
    {
        "watts": st.floats(0.0, 600.0),
        "source_a": st.one_of(st.just(0.0), st.floats(0.0, 60.0)),
        "engine": st.sampled_from([0.0, 0.0, 0.4, 1.0]),
        "mains": st.sampled_from([0.0, 0.0, 1.0]),
        "sun_w_per_m2": st.sampled_from([0.0, 0.0, 300.0, 1000.0]),
        "bank_c": st.floats(-15.0, 48.0),
        "steps": st.integers(1, 300),
    }
)


def _rig(volts, start_soc, drive):
    banks = [
        bank(
            kind,
            name=kind,
            nominal_v=volts,
            capacity_ah=60.0,
            other_load_a=0.7,
            panel_wp=200.0,
            start_soc=start_soc,
            drive=drive,
        )
        for kind in KINDS
    ]
    units = [unit(f"{kind}-{k}", on=kind) for kind in KINDS for k in (1, 2)]
    return Rig(banks, units)


@settings(max_examples=20, deadline=None)
@given(
    acts=st.lists(ACT, min_size=1, max_size=5),
    volts=st.sampled_from([12, 24]),
    start_soc=st.floats(0.02, 1.0),
    drive=st.sampled_from(["dcdc", "relay"]),
    dt_s=st.sampled_from([30.0, 60.0]),
)
def test_what_the_wells_lose_is_what_was_taken_less_what_stayed(acts, volts, start_soc, drive, dt_s):
    rig = _rig(volts, start_soc, drive)
    begun_ah, booked_ah = rig.held_ah, np.zeros(len(KINDS))
    for act in acts:
        steps = act["steps"]
        world = {name: value for name, value in act.items() if name not in {"steps", "watts"}}
        for _ in range(steps):
            shown = rig.step(act["watts"], dt_s=dt_s, **world)
            taken_a, put_a = np.maximum(shown.bank_a, 0.0), np.maximum(-shown.bank_a, 0.0)
            booked_ah += (taken_a - EFFICIENCY * put_a) * dt_s / 3600.0
            assert np.all(shown.source_a >= -1e-9)
    assert begun_ah - rig.held_ah == pytest.approx(booked_ah, abs=1e-7)
    assert np.all(rig.held_ah <= rig.state.full_ah * (1.0 + 1e-9))
    assert np.all((shown.soc >= 0.0) & (shown.soc <= 1.0 + 1e-9))


@settings(max_examples=60, deadline=None)
@given(
    act=ACT,
    volts=st.sampled_from([12, 24]),
    start_soc=st.floats(0.0001, 1.0),
    drive=st.sampled_from(["dcdc", "relay"]),
)
def test_currents_at_every_bank_add_up(act, volts, start_soc, drive):
    rig = _rig(volts, start_soc, drive)
    world = {name: value for name, value in act.items() if name not in {"steps", "watts"}}
    for _ in range(4):
        shown = rig.step(act["watts"], **world)
        others_a = 0.7 * (shown.soc > 0.05)
        units_a = shown.unit_a.reshape(len(KINDS), 2).sum(axis=1)
        assert shown.bank_a == pytest.approx(shown.loads_a - shown.source_a, abs=1e-9)
        served = shown.loads_a > 0.0
        assert np.all(shown.loads_a <= units_a + others_a + 1e-9)
        assert np.all(units_a <= shown.loads_a + 1e-9)
        assert np.all(np.isfinite(shown.unit_v))
        assert np.all(shown.unit_v >= 0.0)
        assert np.all(served | (units_a == 0.0))


@settings(max_examples=20, deadline=None)
@given(warm_c=st.floats(0.0, 45.0), cold_c=st.floats(-15.0, 45.0))
def test_weather_alone_moves_no_charge(warm_c, cold_c):
    rig = Rig([bank(kind, name=kind, start_soc=0.6) for kind in KINDS], [unit(on="agm")])
    before_ah = rig.held_ah
    for degrees in (warm_c, cold_c, warm_c):
        rig.run(4.0, bank_c=degrees, dt_s=60.0)
    assert rig.held_ah == pytest.approx(before_ah, abs=1e-9)
