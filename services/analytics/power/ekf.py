"""An extended Kalman filter of few states: a step of the model, and a reading of some of them together."""

import math
from dataclasses import dataclass

import numpy as np

from services.telemetry import FloatArray

KNOTS = (0.0, 0.25, 0.5, 0.75, 1.0)
"""States of charge at which the error of a rest curve is kept; straight lines between them."""

KNOT_REACH = 0.6
"""How far along the curve its error is much the same: correlation ``exp(-distance / reach)`` (judgement:
published lead-acid tables differ by a shift and a slope, not by ripples)."""

CHARGE, DRAIN, RATE, CURVE = 0, 1, 2, 3
"""Places of the states: charge; logarithm of the drain, as a factor on what is counted; logarithm of the rate
of charging [share of capacity per hour]; error of the rest curve at each knot."""
SIZE = CURVE + len(KNOTS)


@dataclass(frozen=True, slots=True)
class Estimate:
    """Means and covariance of all states."""

    mean: FloatArray
    cov: FloatArray

    def sd(self, state: int) -> float:
        """Return the standard deviation of one state."""
        return math.sqrt(max(0.0, float(self.cov[state, state])))


def predicted(estimate: Estimate, change: FloatArray, jacobian: FloatArray, noise: FloatArray) -> Estimate:
    """Return an estimate after a step of the model.

    Parameters
    ----------
    estimate : Estimate
        Before.
    change : (n,) float64
        What the model adds to the means.
    jacobian : (n, n) float64
        Derivative of the states after by the states before.
    noise : (n, n) float64
        Covariance the step adds.
    """
    return Estimate(estimate.mean + change, jacobian @ estimate.cov @ jacobian.T + noise)


def stepped(
    estimate: Estimate, gained: float, row: FloatArray, *, charge_variance: float, drain_variance: float
) -> Estimate:
    """Return an estimate after a step that moves the charge alone: what `predicted` gives, sooner.

    Parameters
    ----------
    estimate : Estimate
        Before.
    gained : float
        What the step adds to the charge.
    row : (n,) float64
        Derivative of the charge after by the states before.
    charge_variance, drain_variance : float
        What the step adds to both.
    """
    mean, cov = estimate.mean.copy(), estimate.cov.copy()
    mean[CHARGE] += gained
    crossed = row @ estimate.cov
    cov[CHARGE], cov[:, CHARGE] = crossed, crossed
    cov[CHARGE, CHARGE] = float(crossed @ row) + charge_variance
    cov[DRAIN, DRAIN] += drain_variance
    return Estimate(mean, cov)


def corrected(
    estimate: Estimate, row: FloatArray, value: float, variance: float, *, teaches: FloatArray | None = None
) -> Estimate:
    """Return an estimate after one reading ``value = row · states + error``.

    Parameters
    ----------
    estimate : Estimate
        Before.
    row : (n,) float64
        Derivative of the reading by the states.
    value : float
        What was read.
    variance : float
        Of the reading's own error.
    teaches : (n,) float64, optional
        1 for the states this reading may move, 0 for those that are only considered: their errors widen
        the result, but the reading is not fit to teach them.

    References
    ----------
    .. [1] Plett, J. Power Sources 134 (2004): charge as a state, so that a bound comes with it (abstract
       of the conference paper of 2002 read).
    """
    common = estimate.cov @ row
    spread = float(row @ common) + variance
    gain = common / spread
    surprise = value - float(row @ estimate.mean)
    if teaches is None:
        return Estimate(estimate.mean + gain * surprise, estimate.cov - gain[:, None] * common)
    gain = gain * teaches
    crossed = gain[:, None] * common
    cov = estimate.cov - crossed - crossed.T + spread * (gain[:, None] * gain)
    return Estimate(estimate.mean + gain * surprise, cov)


def surprise_sds(estimate: Estimate, row: FloatArray, value: float, variance: float) -> float:
    """Return by how many standard deviations a reading differs from what was expected."""
    spread = float(row @ estimate.cov @ row) + variance
    return (value - float(row @ estimate.mean)) / float(np.sqrt(spread))


def knot_weights(soc: float) -> FloatArray:
    """Return the share each knot of the curve's error has at a state of charge; outside, the end's."""
    step = KNOTS[1] - KNOTS[0]
    place = min(max(soc / step, 0.0), len(KNOTS) - 1.0)
    low = min(int(place), len(KNOTS) - 2)
    weights = np.zeros(len(KNOTS))
    weights[low], weights[low + 1] = 1.0 - (place - low), place - low
    return weights


def curve_covariance(soc_sd: float) -> FloatArray:
    """Return how far published rest curves lie apart, in states of charge at the knots."""
    at = np.array(KNOTS)
    return np.asarray(soc_sd**2 * np.exp(-np.abs(at[:, None] - at[None, :]) / KNOT_REACH), dtype=np.float64)


def fresh(
    soc: float, soc_sd: float, *, drain_sd: float, log_rate: float, log_rate_sd: float, curve_sd: float
) -> Estimate:
    """Return what is known before the first reading."""
    mean, cov = np.zeros(SIZE), np.zeros((SIZE, SIZE))
    mean[CHARGE], mean[RATE] = soc, log_rate
    cov[CHARGE, CHARGE], cov[DRAIN, DRAIN], cov[RATE, RATE] = soc_sd**2, drain_sd**2, log_rate_sd**2
    cov[CURVE:, CURVE:] = curve_covariance(curve_sd)
    return Estimate(mean, cov)


def with_variance(estimate: Estimate, state: int, variance: float) -> Estimate:
    """Return an estimate with one state's variance raised by so much."""
    cov = estimate.cov.copy()
    cov[state, state] += variance
    return Estimate(estimate.mean, cov)


def known_as(estimate: Estimate, state: int, value: float, variance: float) -> Estimate:
    """Return an estimate with one state known apart from all others."""
    mean, cov = estimate.mean.copy(), estimate.cov.copy()
    mean[state] = value
    cov[state], cov[:, state] = 0.0, 0.0
    cov[state, state] = variance
    return Estimate(mean, cov)


def reading_row(soc: float) -> FloatArray:
    """Return the row of a rest voltage read as a state of charge: charge plus the curve's error there."""
    row = np.zeros(SIZE)
    row[CHARGE] = 1.0
    row[CURVE:] = knot_weights(soc)
    return row


def held_to(estimate: Estimate, row: FloatArray, most: float, *, moves: FloatArray | None = None) -> Estimate:
    """Return an estimate whose means obey ``row · states <= most``.

    Where they do not, they move the likeliest way, of those that `moves` allows; the spread stays, since a
    bound is no reading and may be met at every step.
    """
    over = float(row @ estimate.mean) - most
    if over <= 0.0:
        return estimate
    common = estimate.cov @ row
    if moves is not None:
        common = common * moves
    spread = float(row @ common)
    return estimate if spread <= 0.0 else Estimate(estimate.mean - common * (over / spread), estimate.cov)


def cut_off(estimate: Estimate, row: FloatArray, most: float, *, teaches: FloatArray) -> Estimate:
    """Return an estimate knowing that ``row · states <= most``: mean and spread of the normal cut off there.

    For use with a fresh reading; `held_to` is for bounds met at every step.
    """
    spread = float(row @ estimate.cov @ row)
    if spread <= 0.0:
        return estimate
    sd, middle = math.sqrt(spread), float(row @ estimate.mean)
    place = max((most - middle) / sd, -6.0)
    if place > 2.0:  # noqa: PLR2004 - what lies beyond is next to nothing
        return estimate
    below = 0.5 * math.erfc(-place / math.sqrt(2.0))
    ratio = math.exp(-0.5 * place**2) / math.sqrt(2.0 * math.pi) / below
    left = min(max(1.0 - place * ratio - ratio**2, 1e-3), 1.0 - 1e-6)
    value = middle - sd * ratio / (1.0 - left)
    return corrected(estimate, row, value, spread * left / (1.0 - left), teaches=teaches)


CHARGE_ROW = np.eye(SIZE)[CHARGE]
"""Reads the charge alone."""

NOT_DRAIN = np.ones(SIZE) - np.eye(SIZE)[DRAIN]
"""What a reading above full may move: charge and curve; it is surface charge far sooner than capacity."""

BY_CHARGING = np.eye(SIZE)[CHARGE] + np.eye(SIZE)[RATE]
"""What a sign of charging may teach: charge and rate, neither capacity nor curve."""
