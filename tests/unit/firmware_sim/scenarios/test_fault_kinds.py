from typing import get_args

import pytest

from firmware_sim.plant.plant import DEFAULT_FAULTS
from firmware_sim.scenarios.fault_kinds import (
    CHARGER_PARAMETER,
    INSTANT_KINDS,
    KINDS,
    ChargeSource,
    FaultKind,
)


def test_every_kind_has_a_row_and_words():
    assert set(KINDS) == set(get_args(FaultKind))
    assert all(kind.words for kind in KINDS.values())
    assert set(CHARGER_PARAMETER) == set(get_args(ChargeSource))


def test_every_kind_moves_something_but_those_that_act_otherwise():
    assert {name for name, kind in KINDS.items() if not kind.parameters} == {"overload", "failed_charger"}


def test_nothing_is_at_fault_at_the_neutral_value_and_something_at_full_growth():
    for name, kind in KINDS.items():
        for parameter in kind.parameters:
            assert parameter.full != parameter.neutral or name == "swapped_identity"


@pytest.mark.parametrize("name", sorted(DEFAULT_FAULTS))
def test_the_plants_parameters_rest_at_the_tables_neutral_values(name):
    for kind in KINDS.values():
        for parameter in kind.parameters:
            if parameter.name == name:
                assert parameter.neutral == DEFAULT_FAULTS[name]


def test_instant_kinds_do_not_grow():
    assert all(KINDS[name].grows_h == 0.0 for name in INSTANT_KINDS)
