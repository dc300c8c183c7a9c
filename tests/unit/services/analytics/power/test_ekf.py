import numpy as np
import pytest

from services.analytics.power import ekf


def known(soc=0.6, sd=0.05):
    return ekf.fresh(soc, sd, drain_sd=0.2, log_rate=-1.9, log_rate_sd=0.8, curve_sd=0.08)


def test_knots_share_a_charge_between_neighbours_and_hold_to_the_ends():
    assert ekf.knot_weights(0.25).tolist() == [0, 1, 0, 0, 0]
    assert ekf.knot_weights(0.625) == pytest.approx([0, 0, 0.5, 0.5, 0])
    assert ekf.knot_weights(-0.3).tolist() == [1, 0, 0, 0, 0]
    assert ekf.knot_weights(1.2) == pytest.approx([0, 0, 0, 0, 1])


def test_any_number_of_readings_leaves_the_error_they_have_in_common():
    estimate = known(sd=1.0)
    for _ in range(500):
        estimate = ekf.corrected(estimate, ekf.reading_row(0.6), 0.6, 0.05**2)
    assert 0.06 < estimate.sd(ekf.CHARGE) < 0.09


def test_a_charge_known_otherwise_teaches_the_curve():
    estimate = known(soc=0.5, sd=0.01)
    for _ in range(20):
        estimate = ekf.corrected(estimate, ekf.reading_row(0.6), 0.6, 0.05**2)
    learned = ekf.knot_weights(0.6) @ estimate.mean[ekf.CURVE :]
    assert learned == pytest.approx(0.1, abs=0.02)
    assert estimate.mean[ekf.CHARGE] == pytest.approx(0.5, abs=0.01)


def test_neighbouring_knots_err_together():
    cov = ekf.curve_covariance(0.08)
    assert cov[0, 0] == pytest.approx(0.0064)
    assert cov[0, 1] > cov[0, 4] > 0
    assert np.linalg.eigvalsh(cov).min() > 0


def test_a_bound_moves_the_mean_once_and_never_the_spread():
    estimate = known(soc=1.1)
    held = ekf.held_to(estimate, ekf.CHARGE_ROW, 1.0)
    assert held.mean[ekf.CHARGE] == pytest.approx(1.0)
    assert held.sd(ekf.CHARGE) == estimate.sd(ekf.CHARGE)
    assert ekf.held_to(held, ekf.CHARGE_ROW, 1.0) is held


def test_a_bound_spares_what_it_may_not_move():
    estimate = known(soc=1.1)
    estimate.cov[0, 1] = estimate.cov[1, 0] = -0.005
    held = ekf.held_to(estimate, ekf.CHARGE_ROW, 1.0, moves=ekf.NOT_DRAIN)
    assert held.mean[ekf.DRAIN] == 0.0
    assert held.mean[ekf.CHARGE] == pytest.approx(1.0)


def test_cutting_a_normal_off_gives_its_published_half():
    """Cut off at its middle a normal has mean -0.7979 and standard deviation 0.6028 of its own."""
    estimate = known(soc=1.0, sd=0.1)
    cut = ekf.cut_off(estimate, ekf.CHARGE_ROW, 1.0, teaches=ekf.NOT_DRAIN)
    assert cut.mean[ekf.CHARGE] == pytest.approx(1.0 - 0.07979, abs=1e-4)
    assert cut.sd(ekf.CHARGE) == pytest.approx(0.06028, abs=1e-4)


def test_far_below_a_bound_nothing_is_cut():
    estimate = known(soc=0.2)
    assert ekf.cut_off(estimate, ekf.CHARGE_ROW, 1.0, teaches=ekf.NOT_DRAIN) is estimate


def test_surprise_is_counted_in_standard_deviations():
    estimate = ekf.Estimate(np.array([0.5]), np.array([[0.03**2]]))
    assert ekf.surprise_sds(estimate, np.array([1.0]), 0.6, 0.04**2) == pytest.approx(2.0)


def test_a_step_of_the_charge_alone_is_a_step_of_the_whole_model():
    rng = np.random.default_rng(3)
    half = rng.normal(size=(ekf.SIZE, ekf.SIZE))
    before = ekf.Estimate(rng.normal(size=ekf.SIZE), half @ half.T)
    row = np.zeros(ekf.SIZE)
    row[:3] = 0.9, -0.05, 0.2
    jacobian, noise, change = np.eye(ekf.SIZE), np.zeros((ekf.SIZE, ekf.SIZE)), np.zeros(ekf.SIZE)
    jacobian[0], change[0], noise[0, 0], noise[1, 1] = row, -0.05, 0.01, 0.002
    whole = ekf.predicted(before, change, jacobian, noise)
    alone = ekf.stepped(before, -0.05, row, charge_variance=0.01, drain_variance=0.002)
    assert alone.mean == pytest.approx(whole.mean)
    assert alone.cov == pytest.approx(whole.cov)
