"""The scores of the back-test against published definitions and an independent library.

Vectors that two scoring libraries gave: y = 10, forecasts 8, 11, 14 at 10, 50, 90 %: pinball 0.2, 0.5, 0.4;
interval (8, 14) at alpha 0.2: y = 10 scores 6, y = 15 scores 16. Definitions: Gneiting and Raftery,
J. American Statistical Association 102 (2007) 359-378 (from memory). Where scoringrules is installed random
forecasts are compared with it.
"""

from importlib import import_module
from importlib.util import find_spec

import numpy as np
import pytest

from deploy.backtest_scores import LEVELS, interval_score, pinball, rank_of_truth

pytestmark = pytest.mark.outside

needs_scoringrules = pytest.mark.skipif(
    find_spec("scoringrules") is None, reason="scoringrules is not installed: it comes with the test extra"
)


def test_the_pinball_vector():
    assert pinball(np.array([[8.0, 11.0, 14.0]]), np.array([10.0]))[0] == pytest.approx([0.2, 0.5, 0.4])


@pytest.mark.parametrize(("true", "score"), [(10.0, 6.0), (15.0, 16.0)])
def test_the_interval_vector(true, score):
    found = interval_score(np.array([8.0]), np.array([14.0]), np.array([true]), alpha=0.2)
    assert found[0] == pytest.approx(score)


@needs_scoringrules
def test_random_forecasts_score_as_in_the_library():
    library = import_module("scoringrules")
    rng = np.random.default_rng(31)
    said = np.sort(rng.gamma(2.0, 10.0, (50, 3)), axis=1)
    true = rng.gamma(2.0, 10.0, 50)
    ours = pinball(said, true)
    for k, level in enumerate(LEVELS):
        assert ours[:, k] == pytest.approx(np.asarray(library.quantile_score(true, said[:, k], level)))
    theirs = library.interval_score(true, said[:, 0], said[:, 2], 0.2)
    assert interval_score(said[:, 0], said[:, 2], true, alpha=0.2) == pytest.approx(np.asarray(theirs))


def test_truths_drawn_from_the_forecast_rank_evenly():
    """10 000 lognormal truths against their own quantiles: each tenth holds a tenth, within four errors."""
    rng = np.random.default_rng(32)
    z10 = 1.2815515655446004
    middle, spread = rng.uniform(5.0, 80.0, 10_000), 0.3
    said = middle[:, None] * np.exp(spread * z10 * np.array([-1.0, 0.0, 1.0]))
    ranks = rank_of_truth(said, middle * np.exp(spread * rng.standard_normal(10_000)))
    counts = np.histogram(ranks, bins=10, range=(0.0, 1.0))[0]
    assert np.abs(counts - 1000).max() < 4.0 * np.sqrt(900.0)
