"""Every kind of fault acts from its beginning on, on its own target alone, and truth tells it by name.

The same fleet is run with all faults and with none: whatever differs in what arrives from a unit, its fault
did. A consistency check, not an outside one.
"""

from dataclasses import replace
from typing import get_args

import numpy as np
import pytest

from firmware_sim.delivery import SPELLS_OF, Links
from firmware_sim.history import Simulator, simulate
from firmware_sim.scenarios.fault_kinds import KINDS, FaultKind
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.model import Fault
from firmware_sim.truth import Truth
from services.timebase import DAY_MS, HOUR_MS, iso_of
from tests.helpers.small_fleet import write_small_fleet

END_MS = 20_600 * DAY_MS
START_MS = END_MS - 2 * DAY_MS
BEGINS_MS = END_MS - DAY_MS
OTHER = "other"

HOW = {
    "failed_charger": {"source": "engine"},
    "gateway_brownout": {"amount": 12.9},
    "cutout_turned": {"amount": 2.6},
    "swapped_identity": {"other": OTHER},
    "duplicated_delivery": {"amount": 0.5},
}
"""What a kind needs besides the usual."""

NAMES = {kind: kind.replace("_", "-") for kind in get_args(FaultKind)}

_BANK = '[[bank]]\nid = "b-{k}"\nchemistry = "agm"\nnominal_v = 12\ncapacity_ah = 100\n'
_UNIT = (
    '[[unit]]\nid = "{k}"\nkind = "fridge"\nsite = "cart-1"\nset_point_c = 2.0\n'
    '[unit.supply]\nkind = "battery"\nbank = "b-{k}"\ncutout_v = 10.5\n'
)
_BANK_PHYSICS = '[[bank]]\nid = "b-{k}"\ndrive = "relay"\nstart_soc = 0.7\n'
_PHYSICS = (
    '[[unit]]\nid = "{k}"\nevaporator_fan = true\nfrost_kg = 0.05\n'
    'channels = ["cabinet", "battery", "compressor", "current", "bank", "product"]\n'
)
_AWAY = '[[unit.event]]\nkind = "out_of_coverage"\nbegins_h_before = 28\nlasts_h = 12\n'
"""A bad page costs only what is not confirmed yet."""


def _fault(kind):
    target = {"unit": NAMES[kind]} if KINDS[kind].on == "unit" else {"bank": f"b-{NAMES[kind]}"}
    rest = {"begins_d_before": 1.0, "label": f"the {kind} of this run", **target, **HOW.get(kind, {})}
    return Fault(kind=kind, **rest) if kind == "overload" else Fault(kind=kind, grows_h=0.0, **rest)


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    units = (*NAMES.values(), OTHER)
    fleet = '[[site]]\nid = "cart-1"\ntimezone = "UTC"\n' + "".join(
        table.format(k=k) for table in (_BANK, _UNIT) for k in units
    )
    text = (
        '[scenario]\nname = "All"\nfleet = "small_fleet.toml"\n'
        '[[site]]\nid = "cart-1"\nnight_c = 26\nday_c = 36\ndrives = [[3.0, 5.0], [15.0, 18.0]]\n'
    )
    text += "".join(_BANK_PHYSICS.format(k=k) for k in units)
    text += "".join(_PHYSICS.format(k=k) + (_AWAY if k == "flash-corruption" else "") for k in units)
    sound = load_scenario(write_small_fleet(tmp_path_factory.mktemp("library"), scenario=text, fleet=fleet))
    broken = replace(sound, faults=tuple(_fault(kind) for kind in NAMES))
    return {
        which: (scenario, simulate(scenario, start_ms=START_MS, end_ms=END_MS))
        for which, scenario in (("sound", sound), ("broken", broken))
    }


def _arrived(run, unit):
    """Return rows of time of arrival, time, numbers and readings."""
    scenario, history = run
    series, index = history.measured[unit], scenario.unit_ids.index(unit)
    readings = np.stack([series.columns[name] for name in sorted(series.columns)], axis=1)
    found = Links(scenario, anchor_ms=END_MS).delivered(index, series.t_ms, readings)
    head = np.stack([found.received_ms, found.t_ms, found.bid, found.sq, found.tq], axis=1)
    return np.concatenate([head.astype(float), found.values], axis=1)


def _early(rows):
    return rows[rows[:, 0] < BEGINS_MS]


@pytest.mark.parametrize("kind", sorted(NAMES))
def test_a_fault_changes_what_arrives_from_its_unit_and_nothing_before_it_begins(runs, kind):
    sound, broken = (_arrived(runs[which], NAMES[kind]) for which in ("sound", "broken"))
    assert np.array_equal(_early(sound), _early(broken), equal_nan=True)
    assert not np.array_equal(sound, broken, equal_nan=True)


@pytest.mark.parametrize("kind", sorted(set(NAMES) - set(SPELLS_OF) - {"clock_reset"}))
def test_faults_of_things_are_in_the_readings_and_those_of_the_way_are_not(runs, kind):
    before, after = (runs[which][1].measured[NAMES[kind]] for which in ("sound", "broken"))
    same = before.t_ms.size == after.t_ms.size and all(
        np.array_equal(before.columns[name], after.columns[name], equal_nan=True) for name in before.columns
    )
    assert not same


@pytest.mark.parametrize("kind", sorted({*SPELLS_OF, "clock_reset"} - {"swapped_identity"}))
def test_faults_of_the_way_leave_the_readings_alone(runs, kind):
    before, after = (runs[which][1].measured[NAMES[kind]] for which in ("sound", "broken"))
    assert np.array_equal(before.t_ms, after.t_ms)
    for name in before.columns:
        assert np.array_equal(before.columns[name], after.columns[name], equal_nan=True)


def test_truth_tells_every_fault_by_name_target_and_moment(runs):
    broken, _ = runs["broken"]
    simulator = Simulator(broken, anchor_ms=END_MS, start_ms=END_MS - HOUR_MS)
    truth = Truth(broken, start_ms=END_MS - HOUR_MS)
    for block in simulator.blocks(END_MS):
        truth.take(block)
    told = {fault["kind"]: fault for fault in truth.told(simulator.faults.told())["faults"]}
    assert set(told) == set(NAMES)
    for kind, fault in told.items():
        assert fault["label"] == f"the {kind} of this run"
        assert fault["words"] == KINDS[kind].words
        assert fault["on"].endswith(NAMES[kind])
        assert fault["begins"] == iso_of(BEGINS_MS)


@pytest.mark.parametrize("kind", sorted({*SPELLS_OF, "clock_reset"}))
def test_what_a_fault_of_the_way_did_is_told_under_its_label(runs, kind):
    scenario, history = runs["broken"]
    series = history.measured[NAMES[kind]]
    index = scenario.unit_ids.index(NAMES[kind])
    told = (
        Links(scenario, anchor_ms=END_MS).delivered(index, series.t_ms, np.zeros((series.t_ms.size, 1))).told
    )
    named = [one for one in told["mishaps"] if one["kind"] != "out_of_coverage"]
    assert [(one["kind"], one["label"]) for one in named] == [(kind, f"the {kind} of this run")]
    assert named[0]["from"] == iso_of(BEGINS_MS)
