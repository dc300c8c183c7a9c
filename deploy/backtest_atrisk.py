"""When food was said to be at risk, beside when its core truly passed the limit; by what charges the bank."""

from collections.abc import Sequence

import numpy as np

from deploy.backtest_scores import Asked
from services.telemetry import FloatArray

SOONEST_H = 0.5
"""Errors are told over the true time, but over no less than this. [h]"""


def at_risk_table(every: Sequence[Asked]) -> str:
    """Return the errors of food at risk, all banks and by kind."""
    rows = [
        ("all", every),
        ("charged by drives", [one for one in every if not one.panels]),
        ("charged by panels", [one for one in every if one.panels]),
    ]
    lines = "\n".join(f"  {name:18s} {_row(some)}" for name, some in rows)
    return f"""food at risk against the time its core truly passes the limit, no charging from then on
  banks               runs   |P50 - true| / true, median   P10 too late   within P10-P90
{lines}"""


def _row(some: Sequence[Asked]) -> str:
    known = [one for one in some if np.isfinite(one.true_warm_h) and np.isfinite(one.said_warm_h).all()]
    if not known:
        return "   0   no run in which both are known"
    true: FloatArray = np.array([one.true_warm_h for one in known])
    low, mid, high = np.stack([one.said_warm_h for one in known]).T
    error = float(np.median(np.abs(mid - true) / np.maximum(true, SOONEST_H)))
    late, inside = float(np.mean(true < low)), float(np.mean((low <= true) & (true <= high)))
    return f"{len(known):5d}   {error:27.0%}   {late:12.0%}   {inside:14.0%}"
