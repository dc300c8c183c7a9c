"""Run-outs and food at risk by kind of bank: what was said beside when it truly stopped or got warm."""

from collections.abc import Sequence

import numpy as np

from deploy.backtest_scores import Asked
from services.telemetry import FloatArray

SOONEST_H = 0.5
"""Errors are told over the true time, but over no less than this. [h]"""


def by_kind_table(every: Sequence[Asked]) -> str:
    """Return run-outs within the horizon by what charges the bank, and how many cabinets hang on it."""
    lines = "\n".join(f"  {name:18s} {_runs(some)}" for name, some in _kinds(every))
    return f"""run-outs without charging by kind of bank
  banks               runs   |P50 - true| / true, median   P10 too late   within P10-P90
{lines}"""


def at_risk_table(every: Sequence[Asked]) -> str:
    """Return the errors of food at risk, all banks and by kind."""
    lines = "\n".join(f"  {name:18s} {_warm(some)}" for name, some in _kinds(every))
    return f"""food at risk against the time its core truly passes the limit, no charging from then on
  banks               runs   |P50 - true| / true, median   P10 too late   within P10-P90
{lines}"""


def _kinds(every: Sequence[Asked]) -> list[tuple[str, Sequence[Asked]]]:
    return [
        ("all", every),
        ("charged by drives", [one for one in every if not one.panels]),
        ("charged by panels", [one for one in every if one.panels]),
        ("of two cabinets", [one for one in every if one.shared]),
    ]


def _runs(some: Sequence[Asked]) -> str:
    known = [one for one in some if not one.beyond and np.isfinite(one.said_h).all()]
    return _row([one.true_h for one in known], [one.said_h for one in known])


def _warm(some: Sequence[Asked]) -> str:
    known = [one for one in some if np.isfinite(one.true_warm_h) and np.isfinite(one.said_warm_h).all()]
    return _row([one.true_warm_h for one in known], [one.said_warm_h for one in known])


def _row(came: Sequence[float], said: Sequence[FloatArray]) -> str:
    if not came:
        return "   0   no run in which both are known"
    true: FloatArray = np.array(came)
    low, mid, high = np.stack(said).T
    error = float(np.median(np.abs(mid - true) / np.maximum(true, SOONEST_H)))
    late, inside = float(np.mean(true < low)), float(np.mean((low <= true) & (true <= high)))
    return f"{len(came):5d}   {error:27.0%}   {late:12.0%}   {inside:14.0%}"
