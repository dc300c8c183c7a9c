"""Resistances and rest voltages of the simulated plant against tables and worked examples.

Cable: IEC 60228:2004, table 3 (class 5, plain copper, 20 °C), as reproduced in three places; the rise
of copper from IEC 60028 (from memory). Worked example: 6 A over a 5 m run, out and back.
Batteries: flooded rest voltage 6 x (specific gravity + 0.845) V by a common deep-cycle table (from
memory); resistance against an open lead-acid cell model scaled to 100 Ah.
"""

import numpy as np
import pytest

from firmware_sim.plant.battery import OPEN_CIRCUIT_V, resistance_ohm
from firmware_sim.plant.cable import cable_ohm

pytestmark = pytest.mark.outside

EXAMPLE = [
    (1.5, 0.1330, 0.92),
    (2.5, 0.0798, 0.554),
    (4.0, 0.0495, 0.344),
    (6.0, 0.0330, 0.229),
    (10.0, 0.0191, 0.133),
]


@pytest.mark.parametrize(("section_mm2", "ohm_at_20", "drop_at_60_v"), EXAMPLE)
def test_six_amps_over_five_metres(section_mm2, ohm_at_20, drop_at_60_v):
    cold = cable_ohm(length_m=5.0, section_mm2=section_mm2, temperature_c=20.0)
    assert cold == pytest.approx(ohm_at_20, abs=5e-5)
    warm_v = 6.0 * cable_ohm(length_m=5.0, section_mm2=section_mm2, temperature_c=60.0)
    assert warm_v == pytest.approx(drop_at_60_v, abs=0.005)  # printed to two or three digits


GRAVITY = [1.277, 1.258, 1.238, 1.217, 1.195, 1.172, 1.148, 1.124, 1.098, 1.073]


def test_flooded_rest_voltages_follow_specific_gravity():
    expected = [6.0 * (gravity + 0.845) for gravity in GRAVITY]
    assert OPEN_CIRCUIT_V["flooded"][:0:-1] == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(("soc", "milliohm"), [(0.96, 5.8), (0.69, 8.1), (0.39, 15.6), (0.09, 73.0)])
def test_lead_acid_resistance_rises_as_in_a_cell_model(soc, milliohm):
    fresh = np.array([5.5e-3])
    assert resistance_ohm(fresh, np.array([soc]), exponent=1.05)[0] * 1e3 == pytest.approx(milliohm, rel=0.08)
