"""The filter's own step against a published form worked out by hand and against a reference library.

Form: Plett, J. Power Sources 134 (2004), a charge state corrected by a voltage. Vector (worked out with
filterpy's KalmanFilter): charge 0.7, variance 0.09, 4 A for 60 s from 100 Ah, process variance 6e-8, reading
0.81 with slope 1.5 and variance 9e-4 give charge 0.540705014 and variance 3.98230e-4. Tolerance: last digit.
"""

from importlib import import_module
from importlib.util import find_spec

import numpy as np
import pytest

from services.analytics.power.ekf import Estimate, corrected, predicted

pytestmark = pytest.mark.outside

needs_filterpy = pytest.mark.skipif(
    find_spec("filterpy") is None, reason="filterpy is not installed: it comes with the test extra"
)


def test_one_step_of_the_printed_vector():
    before = Estimate(np.array([0.7]), np.array([[0.09]]))
    after = predicted(before, np.array([-4.0 * 60 / 3600 / 100]), np.eye(1), np.array([[6e-8]]))
    after = corrected(after, np.array([1.5]), 0.81, 9e-4)
    assert after.mean[0] == pytest.approx(0.540705014, abs=5e-10)
    assert after.cov[0, 0] == pytest.approx(3.98230e-4, abs=5e-10)


@needs_filterpy
@pytest.mark.filterwarnings("ignore")
def test_many_steps_of_several_states_agree_with_the_library():
    library = import_module("filterpy.kalman").KalmanFilter(dim_x=3, dim_z=1)
    rng = np.random.default_rng(5)
    mean, cov = rng.normal(0, 1, 3), np.diag([0.5, 0.1, 0.2])
    library.x, library.P = mean.reshape(3, 1).copy(), cov.copy()
    mine = Estimate(mean, cov)
    for _ in range(40):
        jacobian = np.eye(3) + 0.1 * rng.normal(0, 1, (3, 3))
        noise = np.diag(rng.uniform(0, 0.01, 3))
        row, value, variance = rng.normal(0, 1, 3), float(rng.normal(0, 1)), float(rng.uniform(0.01, 0.1))
        library.F, library.Q, library.H = jacobian, noise, row.reshape(1, 3)
        library.R = np.array([[variance]])
        library.predict()
        library.update(np.array([[value]]))
        mine = predicted(mine, jacobian @ mine.mean - mine.mean, jacobian, noise)
        mine = corrected(mine, row, value, variance)
    assert mine.mean == pytest.approx(library.x.ravel(), abs=1e-9)
    assert mine.cov == pytest.approx(library.P, abs=1e-9)


def test_a_state_that_is_only_considered_keeps_its_mean_and_widens_the_others():
    """Schmidt's form: with gain K and spread S the covariance is P - K c' - c K' + K S K'."""
    before = Estimate(np.zeros(2), np.array([[0.04, 0.01], [0.01, 0.09]]))
    row = np.array([1.0, 1.0])
    both = corrected(before, row, 1.0, 0.01)
    one = corrected(before, row, 1.0, 0.01, teaches=np.array([1.0, 0.0]))
    assert one.mean[1] == 0.0
    assert one.cov[1, 1] == pytest.approx(0.09)
    assert one.mean[0] == pytest.approx(both.mean[0])
    assert np.linalg.eigvalsh(one.cov - both.cov).min() > -1e-12
