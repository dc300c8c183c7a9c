from dataclasses import replace

import numpy as np
import pytest

from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.model import Fault, Load, Move
from firmware_sim.use import STEPS_A_DAY, Use
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.small_fleet import write_small_fleet

DAY = 20_400
ANCHOR_MS = DAY * DAY_MS


@pytest.fixture
def scenario(tmp_path):
    return load_scenario(write_small_fleet(tmp_path))


def with_load(scenario, **load):
    (fleet, physics), *rest = scenario.units
    loaded = physics.model_copy(update={"load": (Load(**load),)})
    return replace(scenario, units=((fleet, loaded), *rest))


def with_move(scenario, **move):
    ((fleet, weather),) = scenario.sites
    return replace(scenario, sites=((fleet, weather.model_copy(update={"move": (Move(**move),)})),))


def test_without_loads_a_day_is_none(scenario):
    assert Use(scenario, anchor_ms=ANCHOR_MS).loads(DAY) is None


def test_a_daily_load_comes_once_a_local_day_within_its_mass_and_hour(scenario):
    use = Use(with_load(scenario, kg=(2.0, 5.0), warm_c=28.0, at_h=1.0), anchor_ms=ANCHOR_MS)
    masses = []
    for day in range(DAY, DAY + 20):
        loads = use.loads(day)
        rows = np.flatnonzero(loads.kg[:, 0])
        assert rows.size == 1
        utc_h = rows[0] * 24 / STEPS_A_DAY  # 01:00 in Lusaka is 23:00 UTC
        assert 22.5 <= utc_h <= 23.5
        assert loads.warm_c[rows[0], 0] == pytest.approx(28.0)
        assert (loads.kg[:, 1] == 0.0).all()
        masses.append(loads.kg[rows[0], 0])
    assert 2.0 <= min(masses) < 2.8
    assert 4.2 < max(masses) <= 5.0


def test_the_lid_stands_open_while_things_are_put_in(scenario):
    use = Use(with_load(scenario, kg=(2.0, 2.0), at_h=12.0, lid_s=240.0), anchor_ms=ANCHOR_MS)
    loads = use.loads(DAY)
    assert loads.lid_share[:, 0].sum() * 30 == 240
    assert loads.kg[np.flatnonzero(loads.lid_share[:, 0])[0], 0] == 2.0


def test_a_supply_run_comes_every_few_days_only(scenario):
    use = Use(with_load(scenario, kg=(4.0, 4.0), at_h=12.0, every_d=4), anchor_ms=ANCHOR_MS)
    assert sum(use.loads(day) is not None for day in range(DAY, DAY + 12)) == 3


def test_an_overload_is_put_in_once_at_its_moment(scenario):
    fault = Fault(kind="overload", unit="hall-frozen", begins_h_before=5.0, load_kg=18.0, load_c=30.0)
    use = Use(replace(scenario, faults=(fault,)), anchor_ms=ANCHOR_MS)
    loads = use.loads(DAY - 1)
    row = 19 * STEPS_A_DAY // 24
    assert loads.kg[row, 1] == 18.0
    assert loads.warm_c[row, 1] == pytest.approx(30.0)
    assert loads.kg.sum() == 18.0
    assert use.loads(DAY) is None


def test_on_the_road_while_a_move_lasts(scenario):
    use = Use(with_move(scenario, begins_h_before=10.0, lasts_h=3.0), anchor_ms=ANCHOR_MS)
    on_road = use.moving(0, DAY - 1)
    assert np.flatnonzero(on_road).tolist() == list(range(14 * STEPS_A_DAY // 24, 17 * STEPS_A_DAY // 24))
    assert use.moving(0, DAY).sum() == 0


def test_frost_is_scraped_off_on_its_day_in_the_morning(scenario):
    use = Use(scenario, anchor_ms=ANCHOR_MS)
    days = {index: [] for index in range(2)}
    for day in range(DAY, DAY + 56):
        for row, units in use.scraped(day).items():
            assert row * 30 * 1000 == 8.5 * HOUR_MS  # 10:30 in Lusaka
            for index in np.flatnonzero(units):
                days[index].append(day)
    assert {index: np.diff(found).tolist() for index, found in days.items()} == {0: [28], 1: [28]}


def test_any_day_is_the_same_however_it_is_come_by(scenario):
    loaded = with_load(scenario, kg=(1.0, 9.0), at_h=23.9)
    one, other = Use(loaded, anchor_ms=ANCHOR_MS), Use(loaded, anchor_ms=ANCHOR_MS)
    for day in range(DAY, DAY + 5):
        one.loads(day)
    again, first = other.loads(DAY + 3), one.loads(DAY + 3)
    assert np.array_equal(again.kg, first.kg)
