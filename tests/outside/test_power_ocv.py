"""Rest voltages of lead-acid against specific gravity.

Source of the table: a widely reproduced deep-cycle table of specific gravity and open-circuit voltage, from
memory, origin not traced; the rule cell voltage = specific gravity + 0.845 V, from memory. Every printed row
agrees with the rule to 0.01 V, which is the tolerance here.
"""

import numpy as np
import pytest

from services.analytics.power.curves import CURVES, rest_v

PRINTED = {
    1.00: (1.277, 12.73),
    0.90: (1.258, 12.62),
    0.80: (1.238, 12.50),
    0.70: (1.217, 12.37),
    0.60: (1.195, 12.24),
    0.50: (1.172, 12.10),
    0.40: (1.148, 11.96),
    0.30: (1.124, 11.81),
    0.20: (1.098, 11.66),
    0.10: (1.073, 11.51),
}


@pytest.mark.outside
@pytest.mark.parametrize(("soc", "row"), PRINTED.items())
def test_the_flooded_curve_is_the_printed_row_and_six_times_gravity_plus_0_845(soc, row):
    gravity, printed_v = row
    found = float(rest_v(soc, CURVES["flooded"]))
    assert found == pytest.approx(printed_v, abs=0.01)
    assert found == pytest.approx(6 * (gravity + 0.845), abs=0.001)


@pytest.mark.outside
def test_slope_of_the_flooded_curve_between_80_and_50_percent():
    """13 mV per per cent of a 12 V battery: worked out from the same table."""
    volts = rest_v(np.array([0.5, 0.8]), CURVES["flooded"])
    assert 1000 * (volts[1] - volts[0]) / 30 == pytest.approx(13.0, abs=0.5)


@pytest.mark.outside
def test_slope_of_the_lithium_plateau_between_60_and_50_percent():
    """1 to 4 mV per per cent: worked out from a per-cell list in an open firmware header (secondary)."""
    volts = rest_v(np.array([0.5, 0.6]), CURVES["lifepo4"])
    assert 1.0 <= round(1000 * (volts[1] - volts[0]) / 10, 6) <= 4.0


@pytest.mark.outside
@pytest.mark.parametrize(("molality", "volts"), [(6.0, 12.74), (2.0, 11.85)])
def test_the_tables_stay_within_their_stated_spread_of_a_published_closed_form(molality, volts):
    """Bode, Lead-Acid Batteries, Wiley 1977, cell voltage by molality, as coded in an open model.

    The form itself is recomputed; the AGM and flooded curves must bracket its ends within 0.15 V.
    """
    log = np.log10(molality)
    cell = 1.922 + 0.148 * log + 0.063 * log**2 + 0.074 * log**3 + 0.034 * log**4
    assert 6 * cell == pytest.approx(volts, abs=0.01)
    ends = [float(rest_v(1.0 if molality > 3 else 0.2, CURVES[kind])) for kind in ("flooded", "agm")]
    assert min(ends) - 0.15 < volts < max(ends) + 0.15
