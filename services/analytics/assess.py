"""Everything computed for one unit as of one moment, and the worst its food came to over a span."""

from collections.abc import Callable, Sequence

import numpy as np

from services.analytics.food import entries as food
from services.analytics.food.answers import unit_answers
from services.analytics.food.rules import marks_of
from services.analytics.food.verdicts import at, standing
from services.analytics.onward import Onward, onward_of, told
from services.analytics.power.assess import NOTHING_KNOWN, BankKnown, power
from services.analytics.quiet import outlasted, silent
from services.analytics.view import View, clocks, mean_kinetic, sides
from services.domain import Analysis, RejectedCell, SensorCheck, UnitSettings, Verdict
from services.telemetry import FloatArray, Series
from services.timebase import DAY_MS, Span, utc_day_start_ms

HISTORY_MS = 7 * DAY_MS
"""What needs history looks this far back from the start of the as-of time's UTC day, so that cost
does not grow with history and each day's answer starts from the same samples."""


def assess(
    series: Series,
    settings: UnitSettings,
    *,
    as_of_ms: int,
    clock_from_ms: int | None = None,
    expected: Sequence[Span] = (),
    after_at: int = 0,
    rejected: Sequence[RejectedCell] = (),
    offline: bool = False,
    max_gap_s: float | None = None,
    heard_from_ms: int | None = None,
    checks: Sequence[SensorCheck] = (),
    bank: BankKnown = NOTHING_KNOWN,
    carry: Callable[[Onward | None], None] | None = None,
) -> Analysis:
    """Return the analysis of one unit as of a moment: a pure function of its arguments.

    Parameters
    ----------
    series : Series
        Samples in order of time; equal times are merged here, later ones than `as_of_ms` ignored.
    settings : UnitSettings
        The unit with every default applied.
    as_of_ms : int
        "Now". [ms since 1970-01-01 UTC]
    clock_from_ms : int, optional
        Since when the unit holds other food ("emptied", said by a named person).
    expected : sequence of Span
        Where samples are known to exist that have not arrived: not unknown, but not ok either.
    after_at : int
        Rows the caller left out because they lie after the as-of time.
    rejected : sequence of RejectedCell
        Cells of a log that could not be taken, passed through.
    offline : bool
        True looks at the whole log; False at no more than the history the service reads.
    max_gap_s : float, optional
        A gap limit given by a person, in place of the rule. [s]
    heard_from_ms : int, optional
        When the unit was first heard at all, where that is before the series begins; the time until
        the first sample is then unknown.
    checks : sequence of SensorCheck
        Checks in melting ice beside those of the unit file; later ones than `as_of_ms` are not known yet.
    bank : BankKnown
        What earlier days and the bank's other units say, and who is told what these days taught.
    carry : callable, optional
        Told what the next live samples can be judged on without all of this, where they can.

    Raises
    ------
    ConfigurationError
        If the unit names a rule nobody knows.
    """
    later = int(len(series) - np.searchsorted(series.t_ms, as_of_ms, side="right"))
    if heard_from_ms is not None and not offline:
        # time before the window was judged in its day; it is not unknown now
        heard_from_ms = max(heard_from_ms, utc_day_start_ms(as_of_ms) - HISTORY_MS)
    view = View.of(
        _looked_at(series, as_of_ms, offline=offline),
        settings,
        offline=offline,
        max_gap_s=max_gap_s,
        heard_from_ms=heard_from_ms,
        expected=expected,
        checks=checks,
        as_of_ms=as_of_ms,
        day_ms=utc_day_start_ms(as_of_ms),
    )
    looked_at = view.series
    judging = clocks(view, settings, since_ms=utc_day_start_ms(as_of_ms) - HISTORY_MS)
    airs = _airs(view, settings)
    memo: food.Memo = {}
    entries = told(judging, airs, settings, as_of_ms=as_of_ms, clock_from_ms=clock_from_ms, memo=memo)
    quiet = silent(view, settings, from_ms=as_of_ms, to_ms=as_of_ms)
    if bool(quiet.at(np.array([float(as_of_ms)]))[0]):
        entries = [outlasted(entry, view, quiet, as_of_ms) for entry in entries]
    verdict, words = food.headline(entries)
    mean_c, no_mean = mean_kinetic(view, settings)
    result = power(
        looked_at,
        settings,
        as_of_ms=as_of_ms,
        food_limit_c=view.limits.food_limit_c,
        max_gap_s=max_gap_s,
        learned=bank.learned,
        others=bank.others,
        since_ms=bank.since_ms,
    )
    bank.tell(result.learned)
    count = len(looked_at)
    analysis = Analysis(
        unit=settings.unit.id,
        start=int(looked_at.t_ms[0]) if count else as_of_ms,
        to=int(looked_at.t_ms[-1]) if count else as_of_ms,
        as_of=as_of_ms,
        samples=count,
        after_at=after_at + later,
        assumed=tuple(
            dict.fromkeys(
                (
                    *settings.assumed,
                    *view.limits.assumed,
                    *_assumed(view, settings, clock_from_ms=clock_from_ms),
                    *result.assumed,
                )
            )
        ),
        rejected=tuple(rejected),
        verdict=verdict,
        verdict_why=words,
        exposure=tuple(entries),
        cutouts=result.cutouts,
        cutouts_reason=result.cutouts_reason,
        battery=result.battery,
        battery_reason=result.battery_reason,
        runout=result.runout,
        service=result.findings,
        service_reason=result.findings_reason,
        sensors=(*view.quality.flags, *result.sensors),
        work=result.work,
        work_reason=None,
        answers=unit_answers(
            next(clock for clock in judging if not clock.only_raises),
            settings,
            verdict=(verdict, words),
            as_of_ms=as_of_ms,
            clock_from_ms=clock_from_ms,
            ambient=food.Readings.of(looked_at.t_ms, view.quality.ambient_c),
        ),
        mean_kinetic_c=mean_c,
        mean_kinetic_c_reason=no_mean,
    )
    if carry is not None:
        carry(
            onward_of(
                analysis,
                view,
                settings,
                clocks=judging,
                airs=airs,
                memo=memo,
                clock_from_ms=clock_from_ms,
                checks=checks,
            )
        )
    return analysis


def worst_between(
    series: Series,
    settings: UnitSettings,
    *,
    from_ms: int,
    to_ms: int,
    clock_from_ms: int | None = None,
    expected: Sequence[Span] = (),
    heard_from_ms: int | None = None,
    checks: Sequence[SensorCheck] = (),
) -> tuple[Verdict, int, str]:
    """Return the worst food verdict `assess` gives at any as-of time in ``[from_ms, to_ms]``.

    Minutes only grow at samples and during silence, so it is enough to look at every sample, just
    before every next one, and at both ends. Stretches a sensor got wrong are judged with all that
    is known by the end of each UTC day.

    Returns
    -------
    tuple of Verdict, int and str
        The verdict, the first as-of time it was reached, and why.

    Raises
    ------
    ValueError
        If the span ends before it starts.
    """
    if to_ms < from_ms:
        raise ValueError(f"span ends before it starts: {from_ms} > {to_ms}")
    days = [
        _worst_of_day(
            series,
            settings,
            max(from_ms, day),
            min(to_ms, day + DAY_MS - 1),
            clock_from_ms=clock_from_ms,
            expected=expected,
            heard_from_ms=heard_from_ms,
            checks=checks,
            known_ms=to_ms,
        )
        for day in range(utc_day_start_ms(from_ms), to_ms + 1, DAY_MS)
    ]
    return max(days, key=lambda day: day[0].rank)


def _looked_at(series: Series, as_of_ms: int, *, offline: bool) -> Series:
    if not len(series):
        return series
    begin = int(series.t_ms[0])
    if not offline:
        begin = max(begin, utc_day_start_ms(as_of_ms) - HISTORY_MS)
    return series.between(begin, as_of_ms + 1)


def _airs(view: View, settings: UnitSettings) -> list[tuple[food.Clock, int]]:
    """Return the clocks of the air itself, each with how many of its limits are information only."""
    marks = marks_of(settings)
    found = []
    for limits, cabinet, _ in sides(view):
        found.append((food.air_clock(cabinet, (*limits.limits, *marks), view.terms), len(marks)))
        marks = ()  # told once
    return found


def _assumed(view: View, settings: UnitSettings, *, clock_from_ms: int | None) -> list[str]:
    words = [] if view.interval_words is None else [view.interval_words]
    if clock_from_ms is None:
        words.append("no load-in recorded: the verdict clock covers the last 72 h")
    words += view.quality.told
    if settings.unit.sensor.position != "product":
        words.append("food starts at the air temperature of the first sample looked at")
        if settings.unit.kind == "freezer":
            words.append(
                "frozen food freezes and thaws as beef does, fatty in thin pieces, lean in thick ones"
            )
    if view.fitted is not None:
        words.append(view.fitted.words)
    return words


def _worst_of_day(
    series: Series,
    settings: UnitSettings,
    from_ms: int,
    to_ms: int,
    *,
    clock_from_ms: int | None,
    expected: Sequence[Span],
    heard_from_ms: int | None,
    checks: Sequence[SensorCheck],
    known_ms: int,
) -> tuple[Verdict, int, str]:
    if settings.unit.state != "in_use":
        return food.RESTING[settings.unit.state], from_ms, food.PEOPLE_SAY[settings.unit.state]
    view = View.of(
        _looked_at(series, to_ms, offline=False),
        settings,
        offline=False,
        max_gap_s=None,
        heard_from_ms=heard_from_ms,
        expected=expected,
        checks=checks,
        as_of_ms=known_ms,
        day_ms=utc_day_start_ms(to_ms),
    )
    moments = _moments(view.series, from_ms, to_ms)
    top_rank, top_ms, top_why = -1, from_ms, ""
    for clock in clocks(view, settings, since_ms=utc_day_start_ms(to_ms) - HISTORY_MS):
        for index in range(len(clock.limits)):
            rank, _ = food.rank_at(clock, index, moments, clock_from_ms=clock_from_ms)
            k = int(np.argmax(rank))
            if int(rank[k]) > top_rank or (int(rank[k]) == top_rank and int(moments[k]) < top_ms):
                top_rank, top_ms = int(rank[k]), int(moments[k])
                top_why = food.reason(clock, index, top_ms, clock_from_ms=clock_from_ms)
    if top_rank < Verdict.HOLD.rank:
        quiet = silent(view, settings, from_ms=from_ms, to_ms=to_ms)
        outlasted = quiet.at(moments)
        if outlasted.any():
            found = int(moments[int(np.argmax(outlasted))])
            return Verdict.HOLD, found, food.sentence(view.limits.limits[0].rule, quiet.words(found))
    if top_rank < Verdict.WATCH.rank:
        return _standing_air(view, moments, clock_from_ms=clock_from_ms) or (at(top_rank), top_ms, top_why)
    return at(top_rank), top_ms, top_why


def _standing_air(
    view: View, moments: FloatArray, *, clock_from_ms: int | None
) -> tuple[Verdict, int, str] | None:
    """Return since when the air itself asks to be watched, if it does at any of the moments."""
    for limits, cabinet, _ in sides(view):
        air = food.air_clock(cabinet, limits.limits, view.terms)
        for index in range(len(air.limits)):
            stands = standing(air.evidence[index], moments)
            if stands.any():
                found = int(moments[int(np.argmax(stands))])
                return Verdict.WATCH, found, food.reason(air, index, found, clock_from_ms=clock_from_ms)
    return None


def _moments(series: Series, from_ms: int, to_ms: int) -> FloatArray:
    """Return the as-of times at which a verdict can be at its worst."""
    inside = series.between(from_ms, to_ms + 1).t_ms
    before_next = inside[inside > from_ms] - 1
    return np.unique(np.concatenate(([from_ms, to_ms], inside, before_next))).astype(np.float64)
