"""What is known of a bank together, and the charge it has left above a cut-out."""

import math
from dataclasses import dataclass, replace

from services.analytics.power import ekf
from services.analytics.power.capacity import LABEL_CAP, Capacity

MARGIN_SD = 0.03
"""Of the state of charge at which a cut-out acts, beside the curve's own error (judgement)."""
LEAST_MARGIN = 0.01
NEAR_SD, NEAR_SHARE_SD = 0.02, 0.3
"""Of the charge between the voltage of a run and the cut-out, and what it grows by for each share of charge:
slope of the curve there and growth of the battery's resistance (judgement)."""


@dataclass(frozen=True)
class Gauge:
    """What is known of a bank together: charge, capacity and the error of its rest curve."""

    estimate: ekf.Estimate
    capacity: Capacity
    """As believed before anything was measured."""
    temperature_share: float
    """What the bank's temperature makes of its capacity now."""
    label_ah: float

    @property
    def usable_ah(self) -> float:
        """Capacity as learned, at the temperature of now [Ah]."""
        at_25 = self.capacity.ah * math.exp(-float(self.estimate.mean[1]))
        return min(at_25 * self.temperature_share, LABEL_CAP * self.label_ah)

    @property
    def usable_share_sd(self) -> float:
        """Relative standard deviation of `usable_ah`."""
        return self.estimate.sd(1)

    def _at_cut(self, soc_cut: float) -> float:
        """Return the true charge at a cut-out that the rest table puts at `soc_cut`."""
        return soc_cut - float(ekf.knot_weights(soc_cut) @ self.estimate.mean[ekf.CURVE :])

    def margin(self, soc_cut: float, left_share: float = 0.0) -> float:
        """Return the charge above a cut-out, the curve's learned error taken off; none lies below empty."""
        lowest = max(0.0, self._at_cut(soc_cut)) + left_share
        return max(LEAST_MARGIN, float(self.estimate.mean[ekf.CHARGE]) - lowest)

    def seen_above(self, soc_cut: float, margin: float, gone_ah: float, left_share: float = 0.0) -> "Gauge":
        """Return the gauge knowing how far above the cut-out a run ended: the nearer, the surer."""
        left = margin - gone_ah / self.usable_ah
        row = ekf.reading_row(soc_cut)
        sd = NEAR_SD + NEAR_SHARE_SD * margin
        return replace(self, estimate=ekf.corrected(self.estimate, row, soc_cut + left + left_share, sd**2))

    def reserve(self, soc_cut: float, left_share: float = 0.0) -> tuple[float, float]:
        """Return the charge left above a cut-out and the standard deviation of its logarithm [Ah], [1].

        Errors that charge, capacity and curve have in common count once: charge read from the same curve as
        the cut-out is surer than either.

        Parameters
        ----------
        soc_cut : float
            State of charge at the cut-out, as the rest table has it.
        left_share : float
            What a run leaves behind in the bound well, so that even an empty battery holds it.
        """
        margin = self.margin(soc_cut, left_share)
        below_empty = self._at_cut(soc_cut) < 0.0
        row = (ekf.CHARGE_ROW if below_empty else ekf.reading_row(soc_cut)) / margin
        row[ekf.DRAIN] = -1.0
        variance = float(row @ self.estimate.cov @ row) + (MARGIN_SD / margin) ** 2
        capacity_part = float(self.estimate.cov[1, 1])
        rest = max(0.0, variance - capacity_part)
        return self.usable_ah * margin, math.sqrt(capacity_part + math.log1p(rest))
