import numpy as np
import pytest

from deploy.simulating import LIBRARY
from firmware_sim.history import simulate
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.parts import groups, part_of, parts
from services.timebase import DAY_MS, HOUR_MS

END_MS = 20_400 * DAY_MS + 8 * HOUR_MS


@pytest.fixture(scope="module")
def fleet():
    return load_scenario(LIBRARY / "fleet_year.toml")


def test_units_of_one_site_bank_or_machine_stay_together(fleet):
    group_of = {i: k for k, group in enumerate(groups(fleet)) for i in group}
    assert sorted(group_of) == list(range(40))
    for key in ("site", "bank", "machine", "exchanged"):
        met: dict[str, int] = {}
        for i, (unit, _) in enumerate(fleet.units):
            names = {
                "site": unit.site,
                "bank": unit.supply.bank,
                "machine": unit.compressor.shared_with or unit.id,
                "exchanged": next((f.other for f in fleet.faults if f.unit == unit.id and f.other), unit.id),
            }
            if names[key] is not None:
                assert met.setdefault(names[key], group_of[i]) == group_of[i]


def test_parts_hold_every_unit_once_with_its_site_bank_and_faults(fleet):
    cut = parts(fleet, 10)
    assert len(cut) > 2
    assert sorted(unit for part in cut for unit in part.unit_ids) == sorted(fleet.unit_ids)
    assert sum(len(part.banks) for part in cut) == len({u.supply.bank for u, _ in fleet.units} - {None})
    assert sum(len(part.faults) for part in cut) == len(fleet.faults)
    for part in cut:
        assert {unit.site for unit, _ in part.units} == {site.id for site, _ in part.sites}


def test_a_small_fleet_is_one_part(fleet):
    assert parts(fleet, 40) == [fleet]


def test_a_part_lives_through_what_it_would_in_the_whole(fleet):
    start_ms = END_MS - 6 * HOUR_MS
    whole = simulate(fleet, start_ms=start_ms, end_ms=END_MS)
    for part in parts(fleet, 10):
        alone = simulate(part, start_ms=start_ms, end_ms=END_MS)
        for unit in part.unit_ids:
            for name in ("air_c", "food_c", "unit_v"):
                assert np.allclose(alone.true_of(unit, name), whole.true_of(unit, name), rtol=0, atol=1e-9)
            for column, values in whole.measured[unit].columns.items():
                assert np.array_equal(alone.measured[unit].columns[column], values, equal_nan=True)


def test_a_part_of_a_part_keeps_its_place_in_the_whole(fleet):
    group = groups(fleet)[3]
    first = part_of(fleet, group + groups(fleet)[1])
    again = part_of(first, [first.unit_ids.index(fleet.unit_ids[i]) for i in group])
    assert [again.number("unit", k) for k in range(len(group))] == sorted(group)
