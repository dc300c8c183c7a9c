"""The two-well model against published and open reference values.

Check A: test fixture of an open battery simulation core (repository NREL/ssc,
``test/shared_test/lib_battery_capacity_test.h`` and ``.cpp``), values as printed there; 0.01 Ah.
Check B: battery B1 and B2 of Jongerden and Haverkort, University of Twente; lifetimes worked out from the
same closed form, agreeing with the published figures, which are quoted from memory; 0.01 min.
Form: Manwell and McGowan, Solar Energy 50 (1993) 399-405.
"""

import numpy as np
import pytest

from services.analytics.power.wells import LEAD_ACID_WELLS, Wells, tilt_after
from tests.helpers.oracle_wells import largest_a, wells_after

pytestmark = pytest.mark.outside

FULL_AH = 108.160
FIXTURE = Wells(available_share=0.475111, rate_per_h=0.676960)


def test_a_chain_of_discharges_from_half_full():
    one, two = 25.6938, FULL_AH / 2 - 25.6938
    for asked_a, left_ah in ((1.5, 52.580), (3.0, 49.580)):
        one, two = wells_after(one, two, current_a=asked_a, hours=1.0, wells=FIXTURE)
        assert one + two == pytest.approx(left_ah, abs=0.01)
    for limit_a, left_ah in ((26.652, 22.927), (6.256, 16.672)):
        given = min(490.0, largest_a(one, two, hours=1.0, wells=FIXTURE))
        assert given == pytest.approx(limit_a, abs=0.01)
        one, two = wells_after(one, two, current_a=given, hours=1.0, wells=FIXTURE)
        assert one + two == pytest.approx(left_ah, abs=0.01)
        assert one == pytest.approx(0.0, abs=1e-9)


def test_a_hard_hour_from_half_full():
    one, two = 25.6938, FULL_AH / 2 - 25.6938
    given = min(30.0, largest_a(one, two, hours=1.0, wells=FIXTURE))
    one, two = wells_after(one, two, current_a=given, hours=1.0, wells=FIXTURE)
    assert one == pytest.approx(0.0, abs=0.01)
    assert one + two == pytest.approx(24.080, abs=0.01)


def lifetime_min(full_a_min, load):
    wells = Wells(available_share=0.166, rate_per_h=0.122 * 60.0)
    one, two = 0.166 * full_a_min / 60.0, 0.834 * full_a_min / 60.0
    gone = 0.0
    while True:
        for minutes, amps in load:
            after = wells_after(one, two, current_a=amps, hours=minutes / 60.0, wells=wells)
            if after[0] > 0.0:
                one, two = after
                gone += minutes
                continue
            low, high = 0.0, float(minutes)
            for _ in range(50):
                half = (low + high) / 2.0
                alive = wells_after(one, two, current_a=amps, hours=half / 60.0, wells=wells)[0] > 0.0
                low, high = (half, high) if alive else (low, half)
            return gone + high


@pytest.mark.parametrize(
    ("full_a_min", "load", "expected"),
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
        (11.0, ((1, 0.5), (2, 0.0)), 21.86),
    ],
)
def test_b_lifetimes_under_steady_and_broken_loads(full_a_min, load, expected):
    assert lifetime_min(full_a_min, load) == pytest.approx(expected, abs=0.01)


def test_the_filters_tilt_is_the_same_closed_form():
    """The level of the available well less that of both, after any chain of steps."""
    rng = np.random.default_rng(8)
    share, capacity = LEAD_ACID_WELLS.available_share, 100.0
    one, two, tilt = share * capacity, (1.0 - share) * capacity, 0.0
    for _ in range(50):
        amps, hours = float(rng.uniform(0, 8)), float(rng.uniform(0.05, 0.5))
        one, two = wells_after(one, two, current_a=amps, hours=hours, wells=LEAD_ACID_WELLS)
        tilt = tilt_after(tilt, current_share_per_h=amps / capacity, hours=hours, wells=LEAD_ACID_WELLS)
        assert tilt == pytest.approx((one / share - (one + two)) / capacity, abs=1e-12)
