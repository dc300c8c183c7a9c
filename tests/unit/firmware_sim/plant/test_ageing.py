import numpy as np
import pytest

from firmware_sim.plant.ageing import CYCLE_LIFE, YEAR_S, lost_share, stood_in, used_in

ONE = np.array([1.0])


def test_the_shorter_life_governs():
    assert lost_share(np.array([0.2, 1.0]), np.array([1.0, 0.3])) == pytest.approx([0.2, 0.2])


def test_no_bank_loses_everything():
    assert lost_share(np.array([50.0]), np.array([0.0]))[0] == pytest.approx(0.9)


def test_a_standing_life_at_25_degrees_is_what_it_says_and_halves_with_heat():
    years = {"life_y": np.array([6.0]), "halving_k": np.array([8.0])}
    assert stood_in(6.0 * YEAR_S, np.array([25.0]), **years)[0] == pytest.approx(1.0)
    assert stood_in(6.0 * YEAR_S, np.array([33.0]), **years)[0] == pytest.approx(2.0)


def test_a_life_by_use_is_so_many_full_capacities():
    life = np.array([CYCLE_LIFE["agm"]])
    given = used_in(100.0 * life, full_ah=np.array([100.0]), life=life, hungry_h=np.zeros(1), lead=ONE)
    assert given[0] == pytest.approx(1.0)


def test_lead_that_is_never_charged_full_wears_faster_lithium_does_not():
    both = used_in(
        np.full(2, 10.0),
        full_ah=np.full(2, 100.0),
        life=np.full(2, 300.0),
        hungry_h=np.full(2, 2400.0),
        lead=np.array([1.0, 0.0]),
    )
    assert both[0] == pytest.approx(3.0 * both[1])
