"""The clocks of elapsed time that people start on a batch: standing out, cooling down, thawing."""

from services.analytics.food.batches import BatchJudgement
from services.analytics.food.elapsed import buffet, thaw, time_control_of
from services.domain import BatchTimer, Life, Verdict


def timers_of(
    life: Life, judged: BatchJudgement, *, as_of_ms: int, vulnerable: bool = False
) -> tuple[BatchTimer, ...]:
    """Return the timers that run on a batch; none on what is gone."""
    if life.batch.place == "gone":
        return ()
    timed = _timed(life, as_of_ms)
    # where vulnerable guests eat, the shorter of the two decides
    out = (
        None if timed is not None and not vulnerable else _out(life, judged, as_of_ms, vulnerable=vulnerable)
    )
    return tuple(
        timer
        for timer in (
            timed,
            out,
            _cooling(life, judged),
            _thawing(life, as_of_ms),
        )
        if timer is not None
    )


def verdict_of(judged: BatchJudgement, timers: tuple[BatchTimer, ...]) -> tuple[Verdict, str]:
    """Return the worst of clocks and timers, and why; thawing that nobody measures is only a reminder."""
    verdict, why = judged.verdict, judged.why
    for timer in timers:
        counts = timer.kind != "thawing" or timer.verdict.rank >= Verdict.HOLD.rank
        if counts and timer.verdict.rank > verdict.rank:
            verdict, why = timer.verdict, f"{timer.why[:1].upper()}{timer.why[1:]}"
    return verdict, why


def _out(life: Life, judged: BatchJudgement, as_of_ms: int, *, vulnerable: bool) -> BatchTimer | None:
    started = life.out_from_ms
    if started is None:
        return None
    chilled = [c.minutes_above for c in judged.clocks if c.limit_c > 0]
    before = max(0.0, max(chilled, default=0.0) - judged.minutes_out)
    found = buffet(
        minutes_before=before, started_ms=started, as_of_ms=as_of_ms, hot=judged.hot, vulnerable=vulnerable
    )
    return BatchTimer(
        kind="out",
        started=started,
        next_at=found.next_at,
        next_words=found.next_words,
        verdict=Verdict.WATCH if found.verdict is None else found.verdict,
        source=found.source,
        why=found.why,
    )


def _timed(life: Life, as_of_ms: int) -> BatchTimer | None:
    found, said = time_control_of(life, as_of_ms=as_of_ms), life.time_control
    if found is None or said is None:
        return None
    return BatchTimer(
        kind="time_control",
        started=said.started_ms,
        next_at=found.next_at,
        next_words=found.next_words,
        verdict=Verdict.WATCH if found.verdict is None else found.verdict,
        source=found.source,
        why=found.why,
    )


def _cooling(life: Life, judged: BatchJudgement) -> BatchTimer | None:
    found = judged.cooling
    if found is None or life.cooling_from_ms is None:
        return None
    return BatchTimer(
        kind="cooling",
        started=life.cooling_from_ms,
        next_at=found.next_at,
        next_words=found.next_words,
        verdict=found.verdict,
        source=found.source,
        why=found.why,
    )


def _thawing(life: Life, as_of_ms: int) -> BatchTimer | None:
    started = life.thawing_from_ms
    if started is None:
        return None
    readings = [(c.t_ms, c.core_c) for c in life.cores if c.t_ms >= started]
    found = thaw(readings, as_of_ms=as_of_ms, ready_to_eat=life.batch.ready_to_eat)
    return BatchTimer(
        kind="thawing",
        started=started,
        next_at=found.next_at,
        next_words=found.next_words,
        verdict=Verdict.WATCH if found.verdict is None else found.verdict,
        source=found.source,
        why=found.why,
    )
