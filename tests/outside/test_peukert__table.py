"""Peukert's rule in both its forms, and the two-well model beside it.

Table: 100 Ah at 20 h, rate form t = H (C/(I H))^k, worked out by hand; the 10 A, k 1.2 entry equals a widely
quoted 8.7 h (from memory). 1-ampere form: 100 Ah, k 1.2, 5 A gives 14.5 h (an electrical-engineering note).
Tolerance: the last digit printed.
Limits: Doerffel and Abu Sharkh, J. Power Sources 155 (2006) 395-400, abstract: not for changing currents.
"""

import pytest

from firmware_sim.plant.battery import LEAD_ACID, kibam_capacity_ah, peukert_from_one_ampere_h, peukert_h

pytestmark = pytest.mark.outside

TABLE = [
    (1.05, 10.0, 9.66),
    (1.05, 20.0, 4.67),
    (1.05, 25.0, 3.69),
    (1.1, 10.0, 9.33),
    (1.1, 20.0, 4.35),
    (1.1, 25.0, 3.41),
    (1.2, 10.0, 8.71),
    (1.2, 20.0, 3.79),
    (1.2, 25.0, 2.90),
    (1.3, 10.0, 8.12),
    (1.3, 20.0, 3.30),
    (1.3, 25.0, 2.47),
]


@pytest.mark.parametrize(("exponent", "current_a", "hours"), TABLE)
def test_the_rate_form(exponent, current_a, hours):
    found = peukert_h(current_a, capacity_ah=100.0, rated_h=20.0, exponent=exponent)
    assert found == pytest.approx(hours, abs=0.005)


def test_the_one_ampere_form():
    assert peukert_from_one_ampere_h(5.0, capacity_at_1_a_ah=100.0, exponent=1.2) == pytest.approx(
        14.5, abs=0.05
    )


def test_the_two_forms_agree_where_the_capacity_at_1_a_is_worked_out():
    at_1_a_ah = 20.0 * 5.0**1.2
    for current_a in (5.0, 10.0, 25.0):
        one = peukert_from_one_ampere_h(current_a, capacity_at_1_a_ah=at_1_a_ah, exponent=1.2)
        assert one == pytest.approx(peukert_h(current_a, capacity_ah=100.0, rated_h=20.0, exponent=1.2))


def test_mixing_the_forms_is_caught_by_the_numbers():
    label_as_1_a = peukert_from_one_ampere_h(10.0, capacity_at_1_a_ah=100.0, exponent=1.2)
    assert label_as_1_a < 0.75 * 8.71


def test_below_the_rated_current_it_is_refused():
    """Run-out at 1.5 A would be 70.8 to 95.7 h; physics gives 66.7 h (an open cell model)."""
    with pytest.raises(ValueError, match="below the rated current"):
        peukert_h(1.5, capacity_ah=100.0, rated_h=20.0, exponent=1.2)
    assert peukert_h(5.0, capacity_ah=100.0, rated_h=20.0, exponent=1.2) == pytest.approx(20.0)


@pytest.mark.parametrize("current_a", [10.0, 20.0, 25.0])
def test_our_lead_acid_bank_lies_where_the_rule_puts_mats_and_gels(current_a):
    """Typical exponents 1.05 to 1.25 (secondary pages); an open cell model has 1.03 to 1.05."""
    hours = 100.0 / current_a
    for _ in range(60):
        hours = (
            kibam_capacity_ah(
                full_ah=100.0 * LEAD_ACID.capacity_ratio,
                share=LEAD_ACID.available_share,
                rate_per_h=LEAD_ACID.rate_per_h,
                hours=hours,
            )
            / current_a
        )
    bounds = [peukert_h(current_a, capacity_ah=100.0, rated_h=20.0, exponent=k) for k in (1.25, 1.0)]
    assert bounds[0] < hours < bounds[1] * 1.01
