"""Run-out against independent battery models and closed forms.

Reference runs computed once with an open battery-physics package: 4 A for 15 min, 0 A for 25 min (mean 1.5 A)
from full, the battery scaled so that the model's own 20 h capacity is 100 Ah.
"""

import numpy as np
import pytest

from services.analytics.power.charge import drawn_ah, load_a
from services.analytics.power.drop import Drop
from services.analytics.power.frame import frame_of
from services.analytics.power.load import HORIZON_H, Load
from services.analytics.power.runout import Reserve, hours_without_charging, soc_at_cutout
from services.domain import Bank, Compressor, Supply, Unit, UnitSettings
from services.telemetry import Series

MEAN_A = 1.5


def settings(chemistry):
    bank = Bank(id="bank-1", chemistry=chemistry, nominal_v=12, capacity_ah=100)
    unit = Unit(
        id="unit-1",
        kind="fridge",
        interval_s=60,
        supply=Supply(bank="bank-1"),
        compressor=Compressor(running_a=4.0),
    )
    return UnitSettings.of(unit, bank=bank)


def hours_from_full(chemistry, cutout_v, cable_ohm=0.0):
    """Return the run-out from full at the mean current with a sound battery."""
    floor = soc_at_cutout(settings(chemistry), cutout_v_12=cutout_v, drop=Drop(cable_ohm, 1.0))
    return 100.0 * (1.0 - floor) / MEAN_A


@pytest.mark.outside
@pytest.mark.parametrize(
    ("chemistry", "cutout_v", "hours"),
    [("flooded", 11.4, 57.4), ("agm", 11.4, 57.4), ("lifepo4", 12.0, 60.8)],
)
def test_hours_to_the_cut_out_from_full(chemistry, cutout_v, hours):
    """Lead-acid LOQS and Full, Sulzer 2019: 57.4 h to 11.4 V; lithium SPM, Prada 2013: 60.8 h to 12.0 V.

    Within 10 %: the models' rest curves differ from the tables by up to 0.2 V.
    """
    assert hours_from_full(chemistry, cutout_v) == pytest.approx(hours, rel=0.10)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("cable_ohm", "hours"), [(0.0, 62.8), (0.05, 60.7), (0.1, 57.4), (0.2, 47.5), (0.3, 32.9)]
)
def test_cable_resistance_costs_run_time(cable_ohm, hours):
    """Lead-acid Full, cut-out 11.0 V at the unit, 4 A: hours to the first cut-out by cable resistance."""
    found = [hours_from_full(kind, 11.0, cable_ohm) for kind in ("flooded", "agm")]
    assert min(found) * 0.9 <= hours <= max(found) * 1.1
    assert max(found) - min(found) < 15


@pytest.mark.outside
def test_charge_counting_reaches_100_ah_after_66_7_hours():
    """Plain ampere-hour counting of the reference load: 100 Ah / 1.5 A = 66.7 h."""
    minute = np.arange(round(66.667 * 60) + 1)
    on = (minute % 40 < 15).astype(float)
    series = Series(minute.astype(np.int64) * 60_000, {"compressor_on": on})
    frame = frame_of(series, settings("agm"), None)
    ah = drawn_ah(frame, load_a(frame, settings("agm")))
    assert ah[-1] == pytest.approx(100.0, abs=0.5)


@pytest.mark.outside
def test_hours_of_the_worked_example_are_those_drawn():
    """100 Ah ± 10 %, margin 0.60 ± 0.05, 1.5 A ± 10 %: drawn 32.2 / 39.9 / 49.2 h."""
    rng = np.random.default_rng(11)
    c, m, i = rng.normal(100, 10, 200_000), rng.normal(0.6, 0.05, 200_000), rng.normal(1.5, 0.15, 200_000)
    assert np.quantile(c * m / i, [0.1, 0.5, 0.9]) == pytest.approx((32.2, 39.9, 49.2), abs=0.25)
    reserve = Reserve(ah=60.0, sd_ah=60.0 * float(np.hypot(0.1, 0.05 / 0.6)), load_sd=0.1, soc_cut=0.0)
    edges_h = np.arange(HORIZON_H + 1.0)
    load = Load(edges_h, MEAN_A * edges_h, MEAN_A, 0.1)
    assert hours_without_charging(reserve, load) == pytest.approx((32.2, 39.9, 49.2), rel=0.02)
