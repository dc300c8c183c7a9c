"""Error of a resistance from voltage steps: the usual formula against a Monte Carlo run.

4.5 A, current known to 5 %, noise 5 mV. Both columns were computed once and are printed here. The formula
must give its own column, stay within 21 % of that Monte Carlo run (its worst row: 10.0 against 12.5 mΩ, a
fixed battery voltage near the edge of a reading step), and within 12 % of a run drawn here, where the
battery voltage lies anywhere in a reading step.
"""

import numpy as np
import pytest

from services.analytics.power.resistance import resistance_sd_ohm

ROWS = [
    (0.080, 0.010, 1, 4.5, 4.4),
    (0.080, 0.010, 20, 4.2, 4.0),
    (0.080, 0.050, 1, 6.8, 6.2),
    (0.080, 0.100, 1, 12.5, 10.0),
]
"""Resistance, reading step, stops averaged; standard error in mΩ by Monte Carlo and by formula."""


def drawn_sd_mohm(ohm, step_v, stops, rng, *, runs=20_000):
    amps = 4.5 * (1 + 0.05 * rng.standard_normal(runs))
    base = 12.0 + rng.uniform(0, step_v, (runs, stops))
    noise = 0.005 * rng.standard_normal((2, runs, stops))
    off = np.round((base + noise[0]) / step_v) * step_v
    on = np.round((base - (ohm * amps)[:, None] + noise[1]) / step_v) * step_v
    return 1000 * float(np.std(np.mean(off - on, axis=1) / 4.5))


def formula_mohm(ohm, step_v, stops):
    return 1000 * resistance_sd_ohm(
        ohm=ohm, step_a=4.5, reading_step_v=step_v, noise_v=0.005, steps=stops, current_share=0.05
    )


@pytest.mark.outside
@pytest.mark.parametrize(("ohm", "step_v", "stops", "monte_carlo", "printed"), ROWS)
def test_the_formula_gives_the_printed_row_and_stays_near_monte_carlo(
    ohm, step_v, stops, monte_carlo, printed
):
    found = formula_mohm(ohm, step_v, stops)
    assert found == pytest.approx(printed, rel=0.03)
    assert found == pytest.approx(monte_carlo, rel=0.21)
    assert drawn_sd_mohm(ohm, step_v, stops, np.random.default_rng(7)) == pytest.approx(found, rel=0.12)


@pytest.mark.outside
def test_coarse_quantisation_is_not_averaged_away():
    """0.030 Ω, 100 mV step, 20 stops: 10.4 mΩ by Monte Carlo where plain averaging would claim 2.5 mΩ."""
    found = formula_mohm(0.030, 0.100, 20)
    assert found > 8.0
    assert found == pytest.approx(10.4, rel=0.25)
