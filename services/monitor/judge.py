"""Judges one unit as of now, and the hours that its last judgement did not see as they are known now."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from services.analytics.assess import assess, worst_between
from services.analytics.food.rules import limits_of
from services.analytics.onward import Onward
from services.analytics.power.assess import NOTHING_KNOWN, BankKnown
from services.domain import FOUND_LATE, Analysis, UnitSettings, Verdict
from services.monitor.cards import card_of
from services.monitor.pending import Touch
from services.monitor.standing import advance, answered_words, is_answered
from services.monitor.window import Windows
from services.records.said import Context, Origin, Result, Standing
from services.store import Latest
from services.telemetry import Series
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, Span, ms_of, utc_day_start_ms

LOOK_BACK_MS = 7 * DAY_MS
CLOCK_MS = 72 * HOUR_MS
REOPEN_MS = 30 * DAY_MS
"""Late data reopens at most this much of the past (judgement, no source)."""
BACKLOG_WORDS = "samples are known to exist that have not arrived yet"
AHEAD_MS = 5 * MINUTE_MS
"""A sample dated further ahead of its arrival than this does not tell how things are now (design 3.1)."""
AHEAD_WORDS = "the newest sample arrived before its own time: the clock of the unit, or ours, is wrong"
UNSEEN_MS = 2 * MINUTE_MS
"""Judgements closer together than this need no look at the moments between them."""


@dataclass(frozen=True, slots=True)
class Case:
    """All there is to judge one unit on, besides its samples."""

    settings: UnitSettings
    context: Context
    touch: Touch | None
    latest: Latest | None
    expected: tuple[Span, ...]
    backlog: bool
    oldest_ms: int | None
    """Time of the first sample of all."""
    settings_at: Callable[[int], UnitSettings]
    """How the unit was described at an earlier moment."""
    bank: BankKnown = NOTHING_KNOWN
    """What is known of its bank; only the judgement as of now starts from it."""


@dataclass(frozen=True, slots=True)
class Judged:
    """One judgement in full."""

    result: Result
    series: Series
    """The samples it looked at."""
    onward: Onward | None
    """What the next live samples can be judged on; None where they ask for a look at everything."""


def judge(case: Case, windows: Windows, *, now_ms: int) -> Judged:
    """Return one assessment with the verdict that stands after it."""
    unit = case.settings.unit.id
    context = case.context
    touched_ms = None if case.touch is None else case.touch.t_min_ms
    start_ms = utc_day_start_ms(now_ms) - LOOK_BACK_MS
    series = windows.read(unit, start_ms, now_ms + 1, touched_from_ms=touched_ms)
    kept: list[Onward | None] = []
    analysis = _assessed(
        case, series, now_ms=now_ms, clock_from_ms=context.clock_from_ms, bank=case.bank, carry=kept.append
    )
    past = unseen(case, now_ms=now_ms)
    found = None if past is None else _found(case, windows, past, series, now_ms=now_ms)
    answered = _is_answered(case, series, analysis, now_ms=now_ms)
    standing = context.standing
    origin: Origin = "live"
    if found is not None and not answered:
        standing = found.raised(standing)
        origin = "late" if found.late and standing is not context.standing else "live"
    if answered:
        standing = advance(standing, Verdict.WATCH, at_ms=now_ms, why=answered_words(context))
    else:
        standing = advance(standing, analysis.verdict, at_ms=now_ms, why=analysis.verdict_why)
    in_use = case.settings.unit.state == "in_use"
    doubt = doubt_of(case)
    if doubt is not None and in_use and standing.verdict.rank < Verdict.NO_DATA.rank:
        standing = advance(context.standing, Verdict.NO_DATA, at_ms=now_ms, why=doubt)
    card = card_of(
        analysis,
        case.settings,
        latest=case.latest,
        standing=standing,
        backlog_expected=case.backlog,
        probe=context.probe,
    )
    past_analyses = () if found is None else found.analyses
    return Judged(Result(card, analysis, context.statement_no, origin, past_analyses), series, kept[0])


def unseen(case: Case, *, now_ms: int) -> Span | None:
    """Return the moments to judge anew, the last one included; None when there are none worth it.

    These are the moments that late samples bear on (a sample counts for the 72 h after it), and
    those since the last judgement when that was long ago. Moments before the last sign-off or
    before the unit was said to be empty bear on nothing that still stands.
    """
    context, touch = case.context, case.touch
    judged_ms = context.assessed_ms
    if judged_ms is None:
        if case.oldest_ms is None:
            return None
        start, end = case.oldest_ms, now_ms
    else:
        start = judged_ms if touch is None else min(judged_ms, touch.t_min_ms)
        checked_ms = rechecked_from_ms(context)
        start = start if checked_ms is None else min(start, checked_ms)
        end = now_ms
        if now_ms - judged_ms < UNSEEN_MS and touch is not None and checked_ms is None:
            end = min(now_ms, touch.t_max_ms + CLOCK_MS)
    signed_ms = None if context.release is None else context.release.t_ms
    ends = [ms + 1 for ms in (signed_ms, context.clock_from_ms) if ms is not None]
    start = max([start, now_ms - REOPEN_MS, *ends])
    return Span(start, end) if now_ms - start > UNSEEN_MS and end > start else None


def rechecked_from_ms(context: Context) -> int | None:
    """Return since when readings read otherwise by a check of a sensor made since the last judgement."""
    if context.assessed_ms is None:
        return None
    made = [ms_of(check.at) for check in context.checks]
    fresh = [at_ms for at_ms in made if at_ms > context.assessed_ms]
    if not fresh:
        return None
    return max((at_ms for at_ms in made if at_ms < min(fresh)), default=0)


def doubt_of(case: Case) -> str | None:
    """Return why nothing good can be said whatever the samples show, None when nothing is in the way."""
    if case.backlog:
        return BACKLOG_WORDS
    latest = case.latest
    return AHEAD_WORDS if latest is not None and latest.t_ms - latest.received_ms > AHEAD_MS else None


@dataclass(frozen=True, slots=True)
class _Found:
    """What a look at the past found."""

    worst: Standing | None
    """The worst that was computed, from hold upwards."""
    late: bool
    analyses: tuple[Analysis, ...]
    """One as of the end of each earlier day that was not all good, for the episodes in it."""

    def raised(self, standing: Standing | None) -> Standing | None:
        """Return what stands once the past is taken in."""
        if self.worst is None or self.worst.since_ms is None:
            return standing
        words = f"{self.worst.why} {FOUND_LATE}" if self.late else self.worst.why
        return advance(standing, self.worst.verdict, at_ms=self.worst.since_ms, why=words)


def _found(case: Case, windows: Windows, past: Span, series: Series, *, now_ms: int) -> _Found:
    """Return the worst that was computed at any moment of a stretch of the past, in order of time.

    Each moment is judged on the days a live judgement at that moment would have looked at, so that
    late samples lead where timely ones would have led, and as the unit was described by the end of
    that day.
    """
    first_ms = utc_day_start_ms(past.start_ms) - LOOK_BACK_MS
    if first_ms < utc_day_start_ms(past.end_ms) - LOOK_BACK_MS:
        series = windows.past(case.settings.unit.id, first_ms, past.end_ms + 1)
    clock_from_ms = case.context.clock_from_ms
    worst: Standing | None = None
    analyses = []
    for day in _days(past):
        settings = case.settings_at(day.end_ms)
        verdict, at_ms, why = worst_between(
            series,
            settings,
            from_ms=day.start_ms,
            to_ms=day.end_ms,
            clock_from_ms=clock_from_ms,
            expected=case.expected,
            heard_from_ms=_heard_ms(case),
            checks=case.context.checks,
        )
        if verdict.rank >= Verdict.HOLD.rank:
            worst = advance(worst, verdict, at_ms=at_ms, why=why)
        if verdict is not Verdict.OK and day.end_ms < now_ms:  # as of now is judged anyway
            then = replace(case, settings=settings)
            analyses.append(_assessed(then, series, now_ms=day.end_ms, clock_from_ms=clock_from_ms))
    late = case.touch is not None and past.start_ms >= case.touch.t_min_ms
    return _Found(worst, late, tuple(analyses))


def _days(past: Span) -> Sequence[Span]:
    """Return a stretch cut at UTC midnights, the last moment of each part included."""
    edges = [past.start_ms]
    while (midnight := utc_day_start_ms(edges[-1]) + DAY_MS) <= past.end_ms:
        edges.append(midnight)
    return [Span(a, b - 1) for a, b in zip(edges, [*edges[1:], past.end_ms + 1], strict=True)]


def _is_answered(case: Case, series: Series, analysis: Analysis, *, now_ms: int) -> bool:
    """Return whether what is computed was already closed by a person (see `is_answered`)."""
    release = case.context.release
    if release is None or analysis.verdict.rank < Verdict.HOLD.rank:
        return False
    since = series.between(release.t_ms, now_ms + 1)
    fresh = _assessed(case, since, now_ms=now_ms, clock_from_ms=release.t_ms)
    limit_c = limits_of(case.settings).food_limit_c
    return is_answered(case.context, analysis.verdict, limit_c=limit_c, fresh=fresh)


def _assessed(
    case: Case,
    series: Series,
    *,
    now_ms: int,
    clock_from_ms: int | None,
    bank: BankKnown = NOTHING_KNOWN,
    carry: Callable[[Onward | None], None] | None = None,
) -> Analysis:
    return assess(
        series,
        case.settings,
        as_of_ms=now_ms,
        clock_from_ms=clock_from_ms,
        expected=case.expected,
        heard_from_ms=_heard_ms(case),
        checks=case.context.checks,
        bank=bank,
        carry=carry,
    )


def _heard_ms(case: Case) -> int | None:
    """Return since when there was somebody to listen to."""
    starts = [span.start_ms for span in case.expected]
    return None if case.oldest_ms is None else min([case.oldest_ms, *starts])
