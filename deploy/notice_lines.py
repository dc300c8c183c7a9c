"""What a back-test of notices found, in lines."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from services.domain import PRIORITIES, NoticeKind, NoticePriority
from services.domain.noticerates import OWN_PER_HOUR, NoticeRates, Target
from services.timebase import DAY_MS, MINUTE_MS, Span, iso_of

_WORDS = {
    "stopped": "stopped for want of power",
    "silent": "out of coverage",
    "sensor": "sensor out of order",
}


@dataclass(frozen=True)
class Trouble:
    """Something that really happened, and when it was told."""

    unit: str
    kind: str
    span: Span
    told_ms: int | None
    """First notice of its kind that stood while it lasted; None where nobody was told."""


@dataclass
class Tally:
    """What was told and what was not, over seeds."""

    troubles: list[Trouble] = field(default_factory=list)
    resting: int = 0
    """Troubles that began in a cabinet somebody had said to be empty: not told, by design."""
    needless: int = 0
    """Cut-outs told of a unit that did not stop."""
    told: Counter[tuple[NoticeKind, NoticePriority | None]] = field(default_factory=Counter)
    """How often which kind was told, how urgent."""
    rates: list[NoticeRates] = field(default_factory=list)

    def of(self, kind: str) -> list[Trouble]:
        """Return troubles of a kind."""
        return [each for each in self.troubles if each.kind == kind]


def lines(tally: Tally) -> Iterator[str]:
    """Return what was found, a line each."""
    yield from _detection(tally)
    yield f"begun while the cabinet was said to be empty, and not told by design: {tally.resting}"
    yield f"cut-outs told of units that ran: {tally.needless}"
    for kind in dict.fromkeys(kind for kind, _ in sorted(tally.told)):
        count = [tally.told[kind, priority] for priority in reversed(PRIORITIES)]
        yield f"  {kind}: {sum(count)} told, high {count[0]}, medium {count[1]}, low {count[2]}"
    for rates in tally.rates:
        yield from _of_run(rates)
    for trouble in [t for t in tally.troubles if t.told_ms is None]:
        length_min = (trouble.span.end_ms - trouble.span.start_ms) / MINUTE_MS
        at = iso_of(trouble.span.start_ms)
        yield f"missed: {trouble.unit} {trouble.kind} at {at} for {length_min:.0f} min"


def _detection(tally: Tally) -> Iterator[str]:
    """Yield what happened, how much of it was told, and how late; before: told before it began."""
    yield f"{'':26}{'were':>6}{'told':>6}{'missed':>8}{'before':>8}{'delay p50':>11}{'p90':>6}  [min]"
    for kind, words in _WORDS.items():
        found = tally.of(kind)
        told = [(t.told_ms, t.span.start_ms) for t in found if t.told_ms is not None]
        delays = [(told_ms - begun_ms) / MINUTE_MS for told_ms, begun_ms in told]
        after = [delay for delay in delays if delay >= 0.0]
        middle, late = np.percentile(after, [50, 90]) if after else (float("nan"),) * 2
        yield (
            f"{words:26}{len(found):6}{len(told):6}{len(found) - len(told):8}{len(delays) - len(after):8}"
            f"{middle:11.0f}{late:6.0f}"
        )


def _of_run(rates: NoticeRates) -> Iterator[str]:
    """Yield how much was told in one run, whom it reached, and what standards call bearable."""
    days = (rates.end - rates.start) / DAY_MS
    yield f"told {rates.count} in {days:.0f} days, {rates.kept_back} of them kept back in floods"
    for target in rates.targets:
        yield f"  {target.measure}: {_found(rates, target)} (bearable {target.most:g}; {target.source})"
    yield f"  per_hour: {_found(rates, rates.targets[0])} (bearable {OWN_PER_HOUR:g}; our own, judgement)"
    for each in rates.reached:
        whom = each.who if each.site is None else f"{each.who} at {each.site}"
        yield f"  {whom}: {each.per_day:.1f} a day, {each.per_hour:.2f} an hour, busiest {each.busiest_hour}"
    yield from (f"  told {o.count} times: {o.cause_key}" for o in rates.offenders)
    yield f"  standing for more than a day: {len(rates.stale)}"


def _found(rates: NoticeRates, target: Target) -> str:
    match target.measure:
        case "flood_share":
            return f"{rates.flood_share:.4f}"
        case "high" | "medium" | "low":
            return f"{rates.shares.get(target.measure, 0.0):.2f}"
        case "busiest_hour":
            return str(max((each.busiest_hour for each in rates.reached), default=0))
        case "per_hour":
            return f"{max((each.per_hour for each in rates.reached), default=0.0):.2f}"
        case "per_day":
            return f"{max((each.per_day for each in rates.reached), default=0.0):.1f}"
