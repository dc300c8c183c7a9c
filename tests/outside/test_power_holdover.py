"""Warm-up of a cabinet by its heat balance, worked by hand.

Example cabinet: 82 L, heat gain 0.64 W/K (foam by shape factors, films and gasket), 77 kJ/K of water-like
load: time constant 33 h. Frozen lean beef from -18 to -15 °C takes 8.3 kJ/kg:
30 kg at a constant 15 W leak hold 4.6 h.
"""

import pytest

from services.analytics.power.holdover import (
    CABINET_W_PER_K,
    FROZEN_J_PER_KG_K,
    default_time_constant_s,
    frozen_hours_to_limit,
    hours_to_limit,
)
from services.domain import Food, Unit, UnitSettings


@pytest.mark.outside
def test_time_constant_of_the_example_cabinet():
    load_kg = (77_000 - 6_000) / 3_500
    settings = UnitSettings.of(Unit(id="unit-1", kind="fridge", volume_l=82, food=Food(load_kg=load_kg)))
    assert default_time_constant_s(settings, limit_c=5.0) / 3600 == pytest.approx(33.0, rel=0.02)


@pytest.mark.outside
def test_frozen_beef_takes_8_3_kj_per_kg_between_minus_18_and_minus_15():
    taken = FROZEN_J_PER_KG_K * 3 / 1000
    assert taken == pytest.approx(8.3, rel=0.02)


@pytest.mark.outside
def test_30_kg_of_frozen_beef_at_a_15_w_leak_hold_4_6_hours_to_minus_15():
    """A leak of 15 W is a mean difference of 15 / 0.64 K; over 3 K it hardly changes."""
    tau_s = 30 * FROZEN_J_PER_KG_K / CABINET_W_PER_K
    ambient = -16.5 + 15 / CABINET_W_PER_K
    found = hours_to_limit(start_c=-18, limit_c=-15, ambient_c=ambient, time_constant_s=tau_s)
    assert found == pytest.approx(4.6, rel=0.03)


HOT_C = 1e7
"""Surroundings so hot, behind walls so thick, that the leak is the same all along."""


@pytest.mark.outside
@pytest.mark.parametrize(("limit_c", "hours"), [(-15.0, 4.6), (-12.0, 10.0), (-1.1, 132.6)])
def test_th_4_frozen_beef_passes_its_legal_line_long_before_it_thaws(limit_c, hours):
    """30 kg of lean beef (Chen, ASHRAE Refrigeration 2006 chapter 9, equation 18) at -18 °C, 15 W leak."""
    found = frozen_hours_to_limit(
        load_kg=30,
        liner_j_per_k=0.0,
        start_c=-18.0,
        limit_c=limit_c,
        ambient_c=HOT_C,
        gain_w_per_k=15.0 / HOT_C,
    )
    assert found == pytest.approx(hours, abs=0.06)
