"""What resistance between battery and unit costs in hours, against an electrochemical battery model.

PyBaMM 26.10.1.1, lead-acid Full model, parameter set Sulzer 2019, scaled so that its own 20 h capacity to
10.5 V is 100 Ah: 4 A for 15 min, nothing for 25 min (mean 1.5 A), from full. Its loaded voltage by charge and
its hours to the first cut-out for each cable were computed once and are printed here. At 10.4 V and no
cable the model ends at its own 10.5 V, so those hours are capped there.
"""

import numpy as np
import pytest

from services.analytics.power.supplypath import hours_lost

SOC = np.array([0.01, 0.03, 0.05, 0.09, 0.11, 0.17, 0.24, 0.39, 0.54, 0.69, 0.84, 0.99])
LOADED_V = np.array([10.63, 10.82, 10.97, 11.20, 11.29, 11.51, 11.70, 12.01, 12.26, 12.50, 12.73, 12.95])

HOURS = {
    10.4: {0.05: 66.1, 0.1: 64.8, 0.2: 60.7, 0.3: 52.9},
    11.0: {0.0: 62.8, 0.05: 60.7, 0.1: 57.4, 0.2: 47.5, 0.3: 32.9},
}
WHOLE_H = 100.2 / 1.5


def told_h(cutout_v, ohm):
    """Return hours to the cut-out: from full to empty, less what the cut-out itself and the cable cost."""
    share = {"running_a": 4.0, "mean_a": 1.5, "capacity_ah": 100.2, "soc": SOC, "loaded_v_12": LOADED_V}
    unused = float(np.interp(cutout_v, LOADED_V, SOC, left=0.0))
    lost = hours_lost(excess_ohm=ohm, cutout_v_12=cutout_v, **share)
    floor = 0.01 if cutout_v < LOADED_V[0] and cutout_v + 4.0 * ohm > LOADED_V[0] else 0.0
    return WHOLE_H * (1.0 - unused - floor) - lost


@pytest.mark.outside
@pytest.mark.parametrize(
    ("cutout_v", "ohm", "hours"), [(v, ohm, h) for v, rows in HOURS.items() for ohm, h in rows.items()]
)
def test_every_cable_ends_the_run_within_an_hour_of_the_model(cutout_v, ohm, hours):
    """One hour of 67: the voltages above stand 15 Ah apart and straight lines join them."""
    assert told_h(cutout_v, ohm) == pytest.approx(hours, abs=1.0)
