import numpy as np
import pytest

from firmware_sim.plant.state import State
from tests.helpers.one_cabinet import plant, run, unit


def test_a_state_comes_back_from_what_is_kept(tmp_path):
    box = plant(tmp_path, unit(3.0))
    state = box.start()
    run(box, state, 1.0, 30.0)
    again = State.of({name: values.copy() for name, values in state.arrays().items()})
    first, second = run(box, state, 2.0, 30.0), run(box, again, 2.0, 30.0)
    for name, values in first.items():
        assert np.array_equal(values, second[name], equal_nan=True), name


def test_a_kept_state_with_something_missing_is_refused(tmp_path):
    kept = plant(tmp_path, unit(3.0)).start().arrays()
    for name in ("frost_kg", "control.locked"):
        with pytest.raises(TypeError):
            State.of({other: values for other, values in kept.items() if other != name})
