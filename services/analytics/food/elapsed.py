"""Clocks of elapsed time that people start: time in place of temperature, the buffet, thawing."""

from collections.abc import Iterable
from dataclasses import dataclass

from services.analytics.food.probes import CoreReading, first_above_ms, minutes_above, ordered
from services.domain import Evidence, Life, Verdict
from services.timebase import MINUTE_MS

COLD_C = 5.0
WARMEST_C = 21.0
"""3-501.19(C); printed as 21 °C (70 °F), the safer side of the pair."""
FOUR_H_MIN = 240.0
SIX_H_MIN = 360.0
USE_NOW_MIN = 120.0
HOT_MIN = 60.0
TIME_4H = "US FDA Food Code 2022, 3-501.19(B): discard 4 h after removal (read in a secondary copy)"
TIME_6H = "US FDA Food Code 2022, 3-501.19(C): discard at 6 h or above 21 °C (read in a secondary copy)"
TWO_FOUR = "FSANZ 2-hour/4-hour rule: every period from 5 to 60 °C added up (read in a copy)"
HOT_SOURCE = "USDA FSIS: 1 h instead of 2 h where the air is above 90 °F, 32.2 °C (read in secondary copies)"
THAW = (
    "US FDA Food Code 2022, 3-501.13(B): thawed raw parts above 5 °C at most 4 h (read in a secondary copy)"
)


@dataclass(frozen=True, slots=True)
class Elapsed:
    """Where a clock of elapsed time stands."""

    verdict: Verdict | None
    """None where this way of control may not be used at all."""
    minutes: float
    next_at: int | None
    next_words: str
    reached_at: int | None
    """When food had to go; None before that."""
    reasons: tuple[Evidence, ...]
    source: str
    why: str


def time_control(
    readings: Iterable[CoreReading],
    *,
    removed_ms: int,
    as_of_ms: int,
    written_procedure: bool,
    marked: bool,
    six_hours: bool = False,
) -> Elapsed:
    """Return where food stands that is held by time alone, for 4 h or (watched) for 6 h.

    Parameters
    ----------
    readings : iterable of (int, float)
        Temperatures of the warmest portion; the first at or after the removal says how cold it was.
        [ms since 1970-01-01 UTC, °C]
    removed_ms, as_of_ms : int
        When it left cold holding, and "now". [ms]
    written_procedure : bool
        Whether it was planned in writing beforehand: a breakdown cannot be turned into it.
    marked : bool
        Whether the time it has to go stands on it.
    six_hours : bool
        True for the 6 h way, which ends at once above 21 °C.

    Returns
    -------
    Elapsed
        Verdict None where the way is not open: the ordinary clocks then stand alone.

    References
    ----------
    .. [1] US FDA Food Code 2022, 3-501.19(A)-(C), read in the adoptions of Minnesota and Wisconsin.
    """
    source, limit_min = (TIME_6H, SIX_H_MIN) if six_hours else (TIME_4H, FOUR_H_MIN)
    rows = [row for row in ordered(readings, until_ms=as_of_ms) if row[0] >= removed_ms]
    minutes = (as_of_ms - removed_ms) / MINUTE_MS
    closed = _closed(rows, written_procedure=written_procedure)
    if closed:
        return Elapsed(None, minutes, None, "", None, (), source, f"time alone may not be used: {closed}")
    end_ms = removed_ms + round(limit_min * MINUTE_MS)
    warm_ms = first_above_ms(rows, WARMEST_C) if six_hours else None
    reasons = [_row("minutes since it was taken out", minutes, limit_min, source)]
    if six_hours:
        warmest_c = max(core_c for _, core_c in rows)
        reasons.append(_row("warmest portion", warmest_c, WARMEST_C, source, unit="°C", operator=">"))
    if not marked:
        gone = Verdict.DISCARD_ADVISED, removed_ms, "not marked with the time it has to go"
    elif warm_ms is not None:
        gone = Verdict.DISCARD_ADVISED, round(warm_ms), "warmer than 21 °C"
    elif as_of_ms >= end_ms:
        gone = Verdict.DISCARD_ADVISED, end_ms, f"taken out {limit_min / 60:g} h ago"
    elif six_hours and len(rows) == 1 and minutes >= FOUR_H_MIN:
        why = "nobody has measured it for 4 h: measure the warmest portion"
        return Elapsed(Verdict.HOLD, minutes, end_ms, "discard", None, tuple(reasons), source, why)
    else:
        why = f"taken out {minutes:.0f} min ago; cooling it again does not stop this clock"
        words = "serve before then, discard what is left"
        return Elapsed(Verdict.WATCH, minutes, end_ms, words, None, tuple(reasons), source, why)
    return Elapsed(gone[0], minutes, None, "discard", gone[1], tuple(reasons), source, gone[2])


def time_control_of(life: Life, *, as_of_ms: int) -> Elapsed | None:
    """Return where a batch stands that was taken out under time control.

    None where nobody said so, or where it is not open: the ordinary clocks then stand alone.
    """
    said = life.time_control
    if said is None or said.started_ms > as_of_ms:
        return None
    found = time_control(
        [(c.t_ms, c.core_c) for c in life.cores],
        removed_ms=said.started_ms,
        as_of_ms=as_of_ms,
        written_procedure=said.written_procedure,
        marked=said.marked,
        six_hours=said.six_hours,
    )
    return None if found.verdict is None else found


def _closed(rows: list[CoreReading], *, written_procedure: bool) -> str:
    if not written_procedure:
        return "it needs a procedure written beforehand, a breakdown does not count"
    if not rows:
        return "nobody measured it when it was taken out"
    if rows[0][1] > COLD_C:
        return f"it was {rows[0][1]:g} °C when it was taken out, above 5 °C"
    return ""


def buffet(
    *,
    minutes_before: float,
    started_ms: int,
    as_of_ms: int,
    ended_ms: int | None = None,
    hot: bool = False,
    vulnerable: bool = False,
) -> Elapsed:
    """Return how long food may still stand out: the 2-hour/4-hour rule over its whole life.

    Parameters
    ----------
    minutes_before : float
        Minutes above 5 °C it brought along, of all earlier periods. [min]
    started_ms : int
        When it was taken out this time. [ms since 1970-01-01 UTC]
    as_of_ms : int
        "Now". [ms]
    ended_ms : int, optional
        When it was put back. [ms]
    hot : bool
        Whether the air around it is above 32.2 °C: an hour instead of two.
    vulnerable : bool
        Whether vulnerable guests eat from it: no time to use it up.

    Returns
    -------
    Elapsed
        Watch while it may go back, hold while it may only be used up, then discard advised. Exactly
        120 and 240 min count as reached: the text leaves them open.

    References
    ----------
    .. [1] FSANZ, 2-hour/4-hour rule (guidance to Standard 3.2.2 clause 25), read in a copy; the time
       outside the cold counts in full, whatever the food's own temperature (this project's decision).
    """
    until_ms = as_of_ms if ended_ms is None else min(as_of_ms, ended_ms)
    minutes = minutes_before + max(0, until_ms - started_ms) / MINUTE_MS
    hold_min = HOT_MIN if hot else USE_NOW_MIN
    discard_min = hold_min if vulnerable else FOUR_H_MIN
    source = f"{TWO_FOUR}; {HOT_SOURCE}" if hot else TWO_FOUR
    reasons = (
        _row("minutes out of the cold in all", minutes, hold_min, source),
        _row("minutes out of the cold in all", minutes, discard_min, source),
    )
    running = ended_ms is None or ended_ms > as_of_ms

    def at(limit_min: float) -> int | None:
        return round(started_ms + (limit_min - minutes_before) * MINUTE_MS) if running else None

    told = f"{minutes:.0f} min out of the cold in all"
    if minutes >= discard_min:
        return Elapsed(
            Verdict.DISCARD_ADVISED, minutes, None, "discard", at(discard_min), reasons, source, told
        )
    if minutes >= hold_min:
        why = f"{told}: use it now, it may not go back into the cold"
        return Elapsed(Verdict.HOLD, minutes, at(discard_min), "discard", None, reasons, source, why)
    if minutes <= 0:
        return Elapsed(Verdict.OK, minutes, at(hold_min), "back into the cold", None, reasons, source, told)
    words = "discard" if vulnerable else "back into the cold, else use it up"
    why = f"{told}: it may go back into the cold"
    return Elapsed(Verdict.WATCH, minutes, at(hold_min), words, None, reasons, source, why)


def thaw(readings: Iterable[CoreReading], *, as_of_ms: int, ready_to_eat: bool) -> Elapsed:
    """Return how long the warmest thawed part has been above 5 °C, the time to cool it back included.

    Parameters
    ----------
    readings : iterable of (int, float)
        Temperatures of the warmest thawed part. [ms since 1970-01-01 UTC, °C]
    as_of_ms : int
        "Now"; after the newest reading food stays as warm as it was. [ms]
    ready_to_eat : bool
        Whether it is eaten without cooking: no part may then pass 5 °C.

    References
    ----------
    .. [1] US FDA Food Code 2022, 3-501.13(B), read in the adoptions of Maine and Tennessee.
    """
    rows = ordered(readings, until_ms=as_of_ms)
    minutes = minutes_above(rows, COLD_C, until_ms=as_of_ms)
    limit_min = 0.0 if ready_to_eat else FOUR_H_MIN
    operator = ">" if ready_to_eat else ">="
    reasons = (_row("minutes of thawed parts above 5 °C", minutes, limit_min, THAW, operator=operator),)
    warm = bool(rows) and rows[-1][1] > COLD_C
    next_at = round(as_of_ms + (FOUR_H_MIN - minutes) * MINUTE_MS) if warm else None
    told = f"thawed parts above 5 °C for {minutes:.0f} min"
    if not rows:
        why = "nobody has measured it while it thaws"
        return Elapsed(Verdict.WATCH, 0.0, None, "measure the warmest part", None, (), THAW, why)
    if minutes >= FOUR_H_MIN:
        return Elapsed(Verdict.DISCARD_ADVISED, minutes, None, "discard", None, reasons, THAW, told)
    if ready_to_eat and minutes > 0:
        why = f"{told}: not allowed for what is eaten as it is"
        return Elapsed(Verdict.HOLD, minutes, next_at, "discard", None, reasons, THAW, why)
    verdict = Verdict.WATCH if minutes > 0 else Verdict.OK
    words = "cooked or back at 5 °C by then" if warm else "nothing to wait for"
    return Elapsed(verdict, minutes, next_at, words, None, reasons, THAW, told)


def _row(
    quantity: str, value: float, threshold: float, source: str, *, unit: str = "min", operator: str = ">="
) -> Evidence:
    return Evidence.model_validate(
        {
            "quantity": quantity,
            "value": value,
            "operator": operator,
            "threshold": threshold,
            "unit": unit,
            "source": source,
        }
    )
