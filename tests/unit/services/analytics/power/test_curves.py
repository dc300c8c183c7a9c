import numpy as np
import pytest

from services.analytics.power.curves import CURVES, battery_ohm, curve_of, rest_v, soc_at_rest
from services.domain import Supply, Unit, UnitSettings


@pytest.mark.parametrize("chemistry", list(CURVES))
def test_every_curve_rises_and_reads_back_what_it_gave(chemistry):
    curve = CURVES[chemistry]
    soc = np.linspace(0, 1, 41)
    volts = rest_v(soc, curve)
    assert np.all(np.diff(volts) > 0)
    assert soc_at_rest(volts, curve) == pytest.approx(soc, abs=1e-9)


def test_voltages_beyond_the_table_read_as_its_ends():
    assert float(soc_at_rest(9.0, CURVES["agm"])) == 0.0
    assert float(soc_at_rest(15.0, CURVES["agm"])) == 1.0


def test_inner_resistance_scales_with_one_over_capacity_and_climbs_as_lead_acid_empties():
    small, large = (battery_ohm(0.5, capacity_ah=ah, lithium=False) for ah in (50.0, 100.0))
    assert float(small) == pytest.approx(2 * float(large))
    assert float(battery_ohm(0.05, capacity_ah=100, lithium=False)) > 5 * float(large)


def test_a_unit_without_chemistry_is_read_as_flooded_and_says_so():
    bare = UnitSettings.of(Unit(id="unit-1", kind="fridge"))
    assert curve_of(bare) == (CURVES["flooded"], False)
    named = UnitSettings.of(Unit(id="unit-1", kind="fridge", supply=Supply(chemistry="gel")))
    assert curve_of(named) == (CURVES["gel"], True)
