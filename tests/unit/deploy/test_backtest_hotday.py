"""When the plant itself cannot hold food on a design hot day."""

from dataclasses import replace
from math import isinf, isnan

import pytest

from deploy.backtest_hotday import SHARES, hot_days
from deploy.simulating import LIBRARY
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.model import Fault
from services.timebase import DAY_MS

END_MS = 20_400 * DAY_MS


@pytest.fixture(scope="module")
def found():
    fleet = load_scenario(LIBRARY / "fleet_year.toml", units=3)
    small = fleet.units[1][1].model_copy(update={"cooling_w": 8.0})
    fleet = replace(fleet, units=(fleet.units[0], (fleet.units[1][0], small), fleet.units[2]))
    common = {"begins_d_before": 90, "lasts_h": 1800}
    faults = (
        Fault(kind="refrigerant_leak", unit="v1-meat", amount=0.1, **common),
        Fault(kind="refrigerant_leak", unit="v1-meat", amount=0.9, **common),
        Fault(kind="worn_gasket", unit="v1-drinks", **common),
        Fault(kind="corroded_joint", unit="v2-meat", **common),
    )
    return hot_days(replace(fleet, faults=faults), end_ms=END_MS)


def test_a_grave_leak_is_too_much_before_it_has_grown(found):
    assert 0.0 < found[0] < 1.0
    assert (found[0] * SHARES) == pytest.approx(round(found[0] * SHARES))


def test_a_slight_one_never_is(found):
    assert isinf(found[1])


def test_a_machine_too_small_from_the_beginning_says_so(found):
    assert isnan(found[2])


def test_wires_are_not_asked(found):
    assert found[3] is None
