"""Pieces side by side: every day is that of one run, its start apart."""

from dataclasses import replace

import numpy as np
import pytest

from deploy.simulating import LIBRARY
from firmware_sim.history import Simulator
from firmware_sim.pieces import Pieces
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.model import Fault
from services.timebase import DAY_MS

END_MS = 20_400 * DAY_MS


@pytest.fixture(scope="module")
def fleet():
    return replace(load_scenario(LIBRARY / "fleet_year.toml", units=3), step_s=60)


def joined(fleet, *, days, pieces, run_in_d):
    """Return times and values by name, put together in order of time."""
    run = Pieces(fleet, start_ms=END_MS - days * DAY_MS, end_ms=END_MS, pieces=pieces, run_in_d=run_in_d)
    blocks = sorted(run.blocks(), key=lambda told: (told[0], told[1].t_ms[0]))
    t_ms = np.concatenate([block.t_ms for _, block in blocks])
    names = ("air_c", "food_c", "unit_v", "bank_v", "outside_c", "lid_open")
    return t_ms, {name: np.concatenate([block.true[name] for _, block in blocks]) for name in names}


def test_two_days_side_by_side_are_those_of_runs_begun_as_long_before(fleet):
    leak = Fault(kind="refrigerant_leak", unit="v1-meat", begins_d_before=3, grows_h=48)
    fleet = replace(fleet, faults=(leak,))
    t_ms, true = joined(fleet, days=2, pieces=2, run_in_d=0)
    assert np.array_equal(np.diff(t_ms), np.full(2 * 1440 - 1, 60_000))
    assert (t_ms[0], t_ms[-1]) == (END_MS - 2 * DAY_MS + 60_000, END_MS)
    run = Simulator(fleet, anchor_ms=END_MS, start_ms=END_MS - DAY_MS)  # the second piece by itself
    blocks = list(run.blocks(END_MS))
    for name, values in true.items():
        alone = np.concatenate([block.true[name] for block in blocks])
        assert np.array_equal(values[1440:], alone, equal_nan=True), name


def test_what_is_before_a_piece_is_lived_through_and_not_told(fleet):
    run = Pieces(fleet, start_ms=END_MS - DAY_MS, end_ms=END_MS, pieces=1, run_in_d=1)
    piece, first = next(run.blocks())
    assert (piece, first.t_ms[0]) == (0, END_MS - DAY_MS + 60_000)
    aim_c = np.array([unit.aim_c for unit, _ in fleet.units])
    assert np.all(first.true["air_c"][0] != aim_c)  # where a run begins


def test_pieces_are_of_whole_days(fleet):
    with pytest.raises(ValueError, match="midnight"):
        Pieces(fleet, start_ms=END_MS - DAY_MS, end_ms=END_MS - 1, pieces=1)
