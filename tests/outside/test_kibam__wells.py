"""The two-well battery model against published and open reference values.

Check A: test fixture of an open battery simulation core (repository NREL/ssc,
``test/shared_test/lib_battery_capacity_test.h`` and ``.cpp``), values as printed there.
Tolerance 0.01 Ah: the fixture prints two to three decimals and derives c and k' by its own search.

Check B: battery B1 and B2 of Jongerden and Haverkort, University of Twente; lifetimes computed from
the same closed form and agreeing with the published figures, which are quoted from memory.
Tolerance 0.01 min, the last digit quoted.
"""

import numpy as np
import pytest

from firmware_sim.plant.battery import (
    LEAD_ACID,
    kibam_after,
    kibam_capacity_ah,
    kibam_lifetime_h,
    kibam_limit_a,
)

pytestmark = pytest.mark.outside

FULL_AH, SHARE, RATE_PER_H = 108.160, 0.475111, 0.676960
HOUR = {"hours": 1.0, "share": SHARE, "rate_per_h": RATE_PER_H}


@pytest.mark.parametrize(("hours", "capacity_ah"), [(1.0, 60.0), (10.0, 93.0), (20.0, 100.0)])
def test_a_capacities_that_define_the_battery(hours, capacity_ah):
    found = kibam_capacity_ah(full_ah=FULL_AH, share=SHARE, rate_per_h=RATE_PER_H, hours=hours)
    assert found == pytest.approx(capacity_ah, abs=0.01)


def test_a_chain_of_discharges_from_half_full():
    q1, q2 = np.array([25.6938]), np.array([FULL_AH / 2 - 25.6938])
    for asked_a, left_ah in ((1.5, 52.580), (3.0, 49.580)):
        q1, q2 = kibam_after(q1, q2, np.array([asked_a]), **HOUR)
        assert (q1 + q2)[0] == pytest.approx(left_ah, abs=0.01)
    for limit_a, left_ah in ((26.652, 22.927), (6.256, 16.672)):
        given = np.minimum(np.array([490.0]), kibam_limit_a(q1, q2, **HOUR))
        assert given[0] == pytest.approx(limit_a, abs=0.01)
        q1, q2 = kibam_after(q1, q2, given, **HOUR)
        assert (q1 + q2)[0] == pytest.approx(left_ah, abs=0.01)
        assert q1[0] == pytest.approx(0.0, abs=1e-9)


def test_a_hard_hour_from_half_full():
    q1, q2 = np.array([25.6938]), np.array([FULL_AH / 2 - 25.6938])
    given = np.minimum(np.array([30.0]), kibam_limit_a(q1, q2, **HOUR))
    q1, q2 = kibam_after(q1, q2, given, **HOUR)
    assert q1[0] == pytest.approx(0.0, abs=0.01)
    assert (q1 + q2)[0] == pytest.approx(24.080, abs=0.01)


A_MIN_PER_AH = 60.0
MINUTE_H = 1.0 / 60.0


def _lifetime_min(full_a_min, load):
    hours = tuple((minutes * MINUTE_H, amps) for minutes, amps in load)
    return A_MIN_PER_AH * kibam_lifetime_h(
        full_ah=full_a_min / A_MIN_PER_AH, share=0.166, rate_per_h=0.122 * 60.0, load=hours
    )


@pytest.mark.parametrize(
    ("full_a_min", "load", "lifetime_min"),
    [
        (5.5, ((1, 0.25),), 4.53),
        (5.5, ((1, 0.5),), 2.02),
        (5.5, ((1, 0.5), (1, 0.25)), 2.58),
        (5.5, ((1, 0.25), (1, 0.0)), 10.80),
        (5.5, ((1, 0.5), (1, 0.0)), 4.30),
        (5.5, ((1, 0.25), (2, 0.0)), 21.86),
        (5.5, ((1, 0.5), (2, 0.0)), 6.53),
        (11.0, ((1, 0.25),), 12.16),
        (11.0, ((1, 0.5),), 4.53),
        (11.0, ((1, 0.25), (1, 0.0)), 44.78),
        (11.0, ((1, 0.5), (1, 0.0)), 10.80),
        (11.0, ((1, 0.25), (2, 0.0)), 84.90),
        (11.0, ((1, 0.5), (2, 0.0)), 21.86),
    ],
)
def test_b_lifetimes_under_steady_and_broken_loads(full_a_min, load, lifetime_min):
    assert _lifetime_min(full_a_min, load) == pytest.approx(lifetime_min, abs=0.01)


def test_parameters_used_for_lead_acid_follow_an_open_cell_model():
    """Fitted to an open electrochemical model scaled to 100 Ah: qmax 102.0 Ah, c 0.703, k' 1.011 /h."""
    assert LEAD_ACID.capacity_ratio * 100.0 == pytest.approx(102.0)
    at_20_h = kibam_capacity_ah(
        full_ah=102.0, share=LEAD_ACID.available_share, rate_per_h=LEAD_ACID.rate_per_h, hours=20.0
    )
    assert at_20_h == pytest.approx(100.0, abs=2.0)
