"""Faults drawn anew: by the seed alone, every kind, apart from each other, where they can act."""

from collections import Counter
from dataclasses import replace

import pytest

from deploy.simulating import LIBRARY
from firmware_sim.scenarios.drawing import APART_D, EXTENTS, FIRST_D, drawn, together
from firmware_sim.scenarios.fault_kinds import KINDS
from firmware_sim.scenarios.load import idle_because, load_scenario
from firmware_sim.scenarios.model import Fault
from services.errors import ConfigurationError

SEEDS = (1, 2, 3, 40, 999_999)


@pytest.fixture(scope="module")
def year():
    return load_scenario(LIBRARY / "fleet_year.toml")


@pytest.fixture(scope="module", params=SEEDS)
def one(request, year):
    return drawn(year, request.param)


def workshops(scenario):
    return [fault for fault in scenario.faults if fault.kind in EXTENTS]


def ends_h(fault):
    return fault.before_h if fault.lasts_h is None else fault.before_h - fault.lasts_h


def test_the_seed_alone_draws(year):
    assert drawn(year, 7) == drawn(year, 7)
    assert drawn(year, 7).seed == 7
    places = [
        {(fault.kind, fault.unit or fault.bank) for fault in drawn(year, seed).faults} for seed in SEEDS
    ]
    days = [[round(fault.before_h / 24) for fault in drawn(year, seed).faults] for seed in SEEDS]
    assert len({frozenset(each) for each in places}) == len(SEEDS)
    assert len({tuple(each) for each in days}) == len(SEEDS)


def is_grave(fault):
    """Return whether a fault is of a size that most often brings food above its limit."""
    extent = EXTENTS.get(fault.kind)
    if extent is None or extent.grave is None or fault.amount is None:
        return False
    return min(extent.grave) <= fault.amount <= max(extent.grave)


def test_every_kind_befalls_somebody_and_a_third_endangers_food(one):
    assert {fault.kind for fault in one.faults} == set(KINDS)
    told = Counter(fault.kind for fault in workshops(one))
    assert {kind: told[kind] for kind in EXTENTS} == {k: e.milds + e.graves for k, e in EXTENTS.items()}
    assert 3 * sum(map(is_grave, one.faults)) >= len(workshops(one))


def test_sizes_lie_within_their_ends(one):
    for fault in workshops(one):
        extent = EXTENTS[fault.kind]
        ends = extent.grave if is_grave(fault) and extent.grave is not None else extent.mild
        assert min(ends) <= fault.amount <= max(ends), fault
        assert extent.grows_d[0] <= fault.grows_h / 24.0 <= extent.grows_d[1], fault


def test_all_act_where_they_are_and_within_the_year(one):
    for fault in one.faults:
        assert idle_because(fault, one) is None
        assert ends_h(fault) >= 0.0, fault
        assert fault.before_h <= 24.0 * one.days, fault
    assert all(fault.before_h <= 24.0 * (one.days - FIRST_D) for fault in workshops(one))


def test_a_fault_of_the_workshops_has_its_unit_to_itself(one):
    fed = {bank.id: {u.id for u, _ in one.units if u.supply.bank == bank.id} for bank, _ in one.banks}
    touched = [
        (fault, fed[fault.bank] if fault.bank else {fault.unit, fault.other} - {None}) for fault in one.faults
    ]
    for k, (fault, units) in enumerate(touched):
        for other, theirs in touched[k + 1 :]:
            if units & theirs and (fault.kind in EXTENTS or other.kind in EXTENTS):
                apart_h = max(ends_h(fault) - other.before_h, ends_h(other) - fault.before_h)
                assert apart_h >= 24.0 * APART_D - 1.0, (fault, other)


def test_what_needs_each_other_moves_together(one):
    flash = next(fault for fault in one.faults if fault.kind == "flash_corruption")
    around = [fault for fault in one.faults if fault.kind == "radio_outage" and fault.unit == flash.unit]
    assert any(ends_h(fault) <= flash.before_h <= fault.before_h for fault in around)


def test_faults_of_one_unit_near_each_other_are_one_group():
    outage = Fault(kind="radio_outage", unit="a", begins_d_before=10, lasts_h=48)
    flash = Fault(kind="flash_corruption", unit="a", begins_d_before=9)
    later = Fault(kind="clock_reset", unit="a", begins_d_before=2)
    elsewhere = Fault(kind="clock_reset", unit="b", begins_d_before=9)
    assert together([later, flash, outage, elsewhere]) == [[outage, flash], [later], [elsewhere]]


def test_too_short_a_time_is_refused(year):
    with pytest.raises(ConfigurationError, match="too few units or days"):
        drawn(replace(year, days=100.0), 1)
