"""Whatever acts on a cabinet, heat is neither made nor lost, and nothing runs away."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from firmware_sim.plant.air import saturated_kg_per_kg
from firmware_sim.plant.effects import DEFAULT_FAULTS
from tests.helpers.one_cabinet import held_j, plant, run, unit

UNITS, STEPS = 3, 90
SHARES = st.floats(0.0, 1.0)


@pytest.fixture(scope="module")
def boxes(tmp_path_factory):
    """Return a fridge, a freezer on the same machine and a freezer with a fan, by length of step."""
    units = (
        unit(3.0, name="fresh"),
        unit(-18.0, name="frozen", compressor='shared_with = "fresh"'),
        unit(-18.0, name="coil", compressor="variable_speed = true"),
    )
    text = (
        '[[unit]]\nid = "fresh"\nfood = "drinks"\n'
        '[[unit]]\nid = "coil"\nevaporator_fan = true\nopening = "door"\n'
    )
    return {
        step_s: plant(tmp_path_factory.mktemp("boxes"), *units, physics=text, step_s=step_s)
        for step_s in (30.0, 60.0)
    }


@st.composite
def worlds(draw):
    """Return what acts from outside, drawn for each step."""
    draws = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    lids = draws.uniform(0.0, 1.0, (STEPS, UNITS)) * (draws.uniform(size=(STEPS, UNITS)) < draw(SHARES) * 0.3)
    outside_c = draw(st.floats(-5.0, 65.0))
    wettest = min(float(saturated_kg_per_kg(np.array([min(outside_c, 50.0)]))[0]), 0.03)
    return {
        "outside_c": outside_c,
        "lids": lids,
        "loads": np.where(
            draws.uniform(size=(STEPS, UNITS)) < 0.03, draws.uniform(1, 30, (STEPS, UNITS)), 0.0
        ),
        "load_c": np.full(UNITS, draw(st.floats(-20.0, 60.0))),
        "vapour": np.full(UNITS, wettest * draw(SHARES)),
        "faults": {
            name: np.full(UNITS, draw(st.sampled_from([usual, 0.3, 1.6])))
            for name, usual in DEFAULT_FAULTS.items()
            if name.endswith("_ratio")
        },
    }


@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(world=worlds(), step_s=st.sampled_from([30.0, 60.0]))
def test_what_comes_in_less_what_is_taken_is_what_the_nodes_hold(boxes, world, step_s):
    box = boxes[step_s]
    state = box.start()
    box.apply(world["faults"])
    before = held_j(box, state)
    ran = run(
        box,
        state,
        STEPS * step_s / 3600.0,
        world["outside_c"],
        step_s=step_s,
        lid_w_per_k=lambda k: 2.2 * world["lids"][k],
        lid_share=lambda k: world["lids"][k],
        vapour_kg_per_kg=world["vapour"],
        load_kg=lambda k: world["loads"][k],
        load_c=world["load_c"],
    )
    net_j = (ran["entered_j"] + ran["loaded_j"] - ran["removed_w"] * step_s).sum(axis=0)
    scale = np.abs(ran["entered_j"]).sum(axis=0) + np.abs(ran["loaded_j"]).sum(axis=0)
    assert np.all(np.abs(net_j - (held_j(box, state) - before)) <= 1e-6 * scale + 1.0)
    hottest = max(world["outside_c"], world["load_c"][0], 5.0) + 1.0
    for name in ("air_c", "plate_c", "food_c"):
        assert np.all((ran[name] > -60.0) & (ran[name] < hottest)), name
    assert np.all(ran["removed_w"] >= -1e-9)
    assert np.all(ran["frost_kg"] >= 0.0)
