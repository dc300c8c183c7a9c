"""Compares a unit's last days with its weeks before: several numbers together, while each says little.

A fault that grows faster and faster stays within a baseline of another season until its last days. Against
the weeks just before, the air is the same, and small changes that belong together are more than chance.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from services.analytics.power.frame import BoolArray
from services.analytics.service.changes import Baseline, Move, baseline_of, cusum, run_began
from services.analytics.service.signals import DOUBT_PER_K, Days, Followed
from services.analytics.service.signatures import Direction, SignalName
from services.telemetry import FloatArray
from services.timebase import DAY_MS

GAP_D, BACK_D, FEWEST = 8, 45, 16
"""The weeks before end so many days ago, begin so many days ago, and hold so many at least (judgement)."""
LAST, LAST_D = 3, 5
"""Days whose middle says where a number stands now, and within how many days they must lie (judgement)."""
CHOKED: dict[SignalName, Direction] = {"cools": "down", "current": "up", "sag": "up", "noon": "up"}
"""What a condenser does that gives off less and less: the machine's capacity falls, its power rises with the
condensing pressure, and both most at noon. The directions are those of `SIGNATURES`."""
WITNESSES = ("running", "current", "steps", "noon")
"""Numbers that are asked: one for each of these signals, none read from the same samples as another."""
PART, MOST = 0.3, 1.5
"""Of the least change worth telling by itself, what a number must have moved to count, and the most that one
counts for (judgement, tuned on four simulated years)."""
TOGETHER, FEWEST_TOGETHER = 1.1, 2
"""What they must come to together, and how many (as above)."""
ALONE: dict[str, float] = {"current": 0.6, "steps": 0.8}
"""What is enough by itself of the steadiest numbers, and then it must be `ALONE_BEYOND` beyond the weeks
before (as above)."""
ALONE_BEYOND = 0.2
PRESSING = 1.5
"""What they must come to together before anybody is sent (as above)."""


@dataclass(frozen=True, slots=True)
class Late:
    """One number that has left its last weeks."""

    followed: Followed
    move: Move
    since_ms: int
    from_ms: int
    to_ms: int
    """First and last day of the weeks before."""
    beyond: float
    """How far beyond their own range it is, in least changes worth telling."""

    @property
    def weight(self) -> float:
        """How far it has moved, in least changes worth telling."""
        return min(abs(self.move.by) / self.followed.least, MOST)


def lately(days: Days, followed: Sequence[Followed], *, from_ms: int) -> list[Late]:
    """Return numbers that have left their last weeks as a choked condenser makes them, if they say enough.

    Parameters
    ----------
    days : Days
        Days before now.
    followed : sequence of Followed
        What may be asked.
    from_ms : int
        Earlier days are of another machine, as it were. [ms]

    Returns
    -------
    list of Late
        Empty where they come to too little.
    """
    asked = [each for each in followed if each.witness in WITNESSES]
    late = [one for one in (_late(days, each, from_ms) for each in asked) if one is not None]
    if len(late) >= FEWEST_TOGETHER and sum(one.weight for one in late) >= TOGETHER:
        return late
    return [
        one
        for one in late
        if one.beyond >= ALONE_BEYOND and one.weight >= ALONE.get(one.followed.witness, np.inf)
    ]


def _late(days: Days, followed: Followed, from_ms: int) -> Late | None:
    low = int(np.searchsorted(days.day_ms, max(from_ms, int(days.day_ms[-1]) - (BACK_D + LAST_D) * DAY_MS)))
    values = days.columns[followed.column][low:]
    usable = days.fit[low:] & np.isfinite(values)
    own, day_ms, air_c = values[usable], days.day_ms[low:][usable], days.air_c[low:][usable]
    if own.size < FEWEST + LAST or day_ms[-LAST] < days.day_ms[-1] - LAST_D * DAY_MS:
        return None
    before = (day_ms >= day_ms[-1] - BACK_D * DAY_MS) & (day_ms <= day_ms[-1] - GAP_D * DAY_MS)
    if int(before.sum()) < FEWEST:
        return None
    now, sign = float(np.median(own[-LAST:])), 1.0 if CHOKED[followed.name] == "up" else -1.0
    if sign * (now - float(np.median(own[before]))) < PART * followed.least:
        return None
    baseline = baseline_of(own[before], least_sd=followed.least_sd, run=LAST)
    doubt = DOUBT_PER_K.get(followed.name, 0.0) * _apart_k(air_c, before)
    beyond = (now - baseline.high if sign > 0.0 else baseline.low - now) - doubt
    if beyond < 0.0:
        return None
    after = day_ms > day_ms[before][-1]
    since, by = _since(own[after], baseline, sign)
    move = Move(sign > 0.0, now, baseline, since, step=False, cusum=by)
    first_ms, last_ms = int(day_ms[before][0]), int(day_ms[before][-1])
    return Late(followed, move, int(day_ms[after][since]), first_ms, last_ms, beyond / followed.least)


def _apart_k(air_c: FloatArray, before: BoolArray) -> float:
    """Return how much the air differs from that of the weeks before; nothing where it is not known."""
    apart = abs(float(np.median(air_c[-LAST:])) - float(np.median(air_c[before])))
    return apart if np.isfinite(apart) else 0.0


def _since(after: FloatArray, baseline: Baseline, sign: float) -> tuple[int, float]:
    """Return the first of the days after the weeks before on which it was on its way, and its CUSUM."""
    sums = cusum((after - baseline.middle) / baseline.sd * sign)[0]
    return min(run_began(sums), after.size - 1), float(sums[-1])
