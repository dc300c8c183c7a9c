"""Where each number of a machine lay on the first days since it was last worked on or described anew."""

from collections.abc import Sequence

import numpy as np

from services.analytics.service.watching import LEARNED_DAYS
from services.domain import FEATURES, DayMark, HealthTable, ServiceMark, UnitSettings, Usual
from services.timebase import DAY_MS, utc_day_start_ms

FEWEST_DAYS = 7
"""With fewer a number has no usual yet (judgement)."""
SET_ASIDE: tuple[DayMark, ...] = ("warm_load", "heat", "stood_warm", "lid", "part_seen")
"""Days that are not the machine's doing."""
LOW, HIGH = 0.1, 0.9


def begun_ms(table: HealthTable, marks: Sequence[ServiceMark], *, as_of_ms: int) -> int:
    """Return from which day on a machine is compared with itself.

    The day after the newest mark, and no day before one on which it was measured on something else.
    """
    marked = [utc_day_start_ms(mark.at) + DAY_MS for mark in marks if mark.at < as_of_ms]
    words = [day.measured_on for day in table.days]
    anew = [
        day.day
        for before, word, day in zip(words[:-1], words[1:], table.days[1:], strict=True)
        if word != before
    ]
    return max([0, *marked, *anew])


def usual_of(
    table: HealthTable, marks: Sequence[ServiceMark], settings: UnitSettings, *, as_of_ms: int
) -> tuple[Usual, ...]:
    """Return the usual of every number that has one.

    Parameters
    ----------
    table : HealthTable
        Days of the unit before now.
    marks : sequence of ServiceMark
        What was done to it.
    settings : UnitSettings
        A freezer is compared with more days.
    as_of_ms : int
        Now. [ms]

    Returns
    -------
    tuple of Usual
        Over the first `LEARNED_DAYS` days that nothing sets aside.
    """
    since = table.between(begun_ms(table, marks, as_of_ms=as_of_ms), as_of_ms)
    plain = ~since.marked(*SET_ASIDE)
    found = []
    for name in FEATURES:
        values = since.column(name)
        chosen = np.flatnonzero(plain & np.isfinite(values))[: LEARNED_DAYS[settings.unit.kind]]
        if chosen.size < FEWEST_DAYS:
            continue
        low, middle, high = np.quantile(values[chosen], [LOW, 0.5, HIGH]).tolist()
        found.append(
            Usual(
                feature=name,
                middle=middle,
                low=low,
                high=high,
                days=int(chosen.size),
                first=int(since.day_ms[chosen[0]]),
                last=int(since.day_ms[chosen[-1]]),
            )
        )
    return tuple(found)
