"""What `bushlarder backtest notices` does: replays simulated weeks through the real monitor, and counts."""

import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from deploy.backtest_cutouts import LEAST_MISSING_MS, TRIAL_ENDS_MS
from deploy.backtest_trial import trial
from deploy.backtesting import Played, play
from deploy.importing import samples_of
from services.domain import Fleet, NoticeMove
from services.domain.noticerates import CALLS, NoticeRates, rates_of
from services.monitor.noticing import Noticing
from services.monitor.worker import Monitor
from services.records.facade import Records
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import Sample
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, Span, iso_of

AWAY_EVERY_D, AWAY_H = 2.0, (1.0, 6.0)
"""How often a unit is out of coverage, and for how long: drawn, and sent when it is back (judgement)."""
LEARN_MS = DAY_MS
"""The first day only teaches: what is told then was not seen to begin."""
WARM_UP_MS = 2 * HOUR_MS
"""So long before its end looks begin, for every delay to be over."""
MOST_STEPS = 10_000
_POWER = frozenset({"cut_out", "battery_short"})


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
    needless: int = 0
    """Cut-outs told of a unit that did not stop."""
    rates: list[NoticeRates] = field(default_factory=list)

    def of(self, kind: str) -> list[Trouble]:
        """Return troubles of a kind."""
        return [each for each in self.troubles if each.kind == kind]


def fleet_of(played: Iterable[Played]) -> Fleet:
    """Return the fleet that the units of a run make."""
    settings = [one.settings for one in played]
    sites = {s.site.id: s.site for s in settings if s.site is not None}
    banks = {s.bank.id: s.bank for s in settings if s.bank is not None}
    return Fleet(
        sites=tuple(sites.values()), banks=tuple(banks.values()), units=tuple(s.unit for s in settings)
    )


def away_of(seed: int, unit: int, *, start_ms: int, end_ms: int) -> tuple[Span, ...]:
    """Return when a unit was out of coverage."""
    draw = np.random.default_rng([seed, unit, 18])
    found: list[Span] = []
    at_ms = start_ms
    while True:
        at_ms += round(draw.exponential(AWAY_EVERY_D) * DAY_MS) + HOUR_MS
        until_ms = at_ms + round(draw.uniform(*AWAY_H) * HOUR_MS)
        if until_ms >= end_ms - HOUR_MS:
            return tuple(found)
        found.append(Span(at_ms, until_ms))
        at_ms = until_ms


def replay(
    played: Sequence[Played], away: Mapping[str, Sequence[Span]], *, every_ms: int, folder: Path
) -> list[NoticeMove]:
    """Have the real monitor look at a run as its samples came, and return every change of every notice."""
    start_ms = min(int(one.series.t_ms[0]) for one in played)
    end_ms = max(int(one.series.t_ms[-1]) for one in played)
    arrivals = _arrivals(played, away)
    records = Records(folder / "records.db")
    records.apply_fleet(fleet_of(played), who="back-test", now_ms=start_ms - DAY_MS)
    with (
        closing(records),
        closing(SqliteStore(folder / "telemetry.db")) as store,
        closing(SqliteReader(folder / "telemetry.db")) as reader,
    ):
        monitor = Monitor(reader, records, seconds=lambda: 0.0)
        noticing = Noticing(records)
        waiting = next(arrivals, None)
        for now_ms in range(start_ms + LEARN_MS - WARM_UP_MS, end_ms + 1, every_ms):
            came: list[Sample] = []
            while waiting is not None and waiting[0] <= now_ms:
                came.append(waiting[1])
                waiting = next(arrivals, None)
            if came:
                store.append(came, received_ms=now_ms)
            for _ in range(MOST_STEPS):
                if not monitor.step(now_ms).more:
                    break
            noticing.step(now_ms)
        return records.notice_moves(start_ms, end_ms + 1)


def _arrivals(played: Sequence[Played], away: Mapping[str, Sequence[Span]]) -> Iterator[tuple[int, Sample]]:
    """Yield samples in the order in which they came: what was measured out of coverage comes after it."""
    found: list[tuple[int, int, str, Sample]] = []
    for one in played:
        spans = away[one.unit]
        for number, sample in enumerate(samples_of(one.unit, one.series)):
            kept = next((s.end_ms for s in spans if s.start_ms <= sample.t_ms < s.end_ms), sample.t_ms)
            sent = Sample(one.unit, 1, number, sample.t_ms, sample.tq, sample.values)
            found.append((kept, sample.t_ms, one.unit, sent))
    found.sort(key=lambda each: each[:3])
    return ((arrived_ms, sample) for arrived_ms, _, _, sample in found)


def _standing(moves: Sequence[NoticeMove], unit: str, kinds: frozenset[str]) -> list[tuple[int, int | None]]:
    """Return from when to when a notice of some kinds stood that named a unit."""
    spans: list[tuple[int, int | None]] = []
    begun: dict[int, int] = {}
    for move in moves:
        if move.move in CALLS and move.kind in kinds and unit in move.units:
            begun.setdefault(move.notice, move.at)
        elif move.move in {"returned", "folded"} and move.notice in begun:
            spans.append((begun.pop(move.notice), move.at))
    return spans + [(at_ms, None) for at_ms in begun.values()]


def _told_ms(spans: Sequence[tuple[int, int | None]], span: Span) -> int | None:
    """Return when what stood at any time of a stretch was first told."""
    there = [start for start, end in spans if start < span.end_ms and (end is None or end > span.start_ms)]
    return min(there, default=None)


def take(
    tally: Tally, played: Sequence[Played], away: Mapping[str, Sequence[Span]], moves: Sequence[NoticeMove],
    *, every_ms: int,
) -> None:  # fmt: skip
    """Put what really happened beside what was told."""
    end_ms = max(int(one.series.t_ms[-1]) for one in played)
    start_ms = min(int(one.series.t_ms[0]) for one in played) + LEARN_MS
    least_ms = LEAST_MISSING_MS + 2 * every_ms
    for one in played:
        power = _standing(moves, one.unit, _POWER)
        silent = _standing(moves, one.unit, frozenset({"silence", "cut_out"}))
        stops = [Span(o.start_ms, end_ms if o.end_ms is None else o.end_ms) for o in one.outages]
        for span in stops:
            dark = any(a.start_ms < span.end_ms and span.start_ms < a.end_ms for a in away[one.unit])
            if span.start_ms >= start_ms and span.end_ms - span.start_ms >= least_ms and not dark:
                tally.troubles.append(
                    Trouble(one.unit, "stopped", span, _told_ms(power, _late(span, every_ms)))
                )
        for span in away[one.unit]:
            if span.start_ms >= start_ms:
                tally.troubles.append(
                    Trouble(one.unit, "silent", span, _told_ms(silent, _late(span, every_ms)))
                )
        tally.needless += _needless(moves, one.unit, stops, every_ms)
    tally.rates.append(rates_of(moves, (), start_ms=start_ms, end_ms=end_ms))


def _late(span: Span, every_ms: int) -> Span:
    """Return a stretch with the time of one look more: what ended just now is told at the next."""
    return Span(span.start_ms, span.end_ms + every_ms)


def _needless(moves: Sequence[NoticeMove], unit: str, stops: Sequence[Span], every_ms: int) -> int:
    """Return how many cut-outs were told of a unit by itself that stood for no want of voltage."""
    told = [
        move.at for move in moves if move.move in CALLS and move.kind == "cut_out" and move.units == (unit,)
    ]
    slack_ms = HOUR_MS + every_ms
    return sum(
        1
        for at_ms in told
        if not any(stop.start_ms - slack_ms <= at_ms <= stop.end_ms + slack_ms for stop in stops)
    )


def report(
    *, seeds: Sequence[int], days: float, every_min: float, units: int, say: Callable[[str], None]
) -> tuple[str, ...]:
    """Return the lines of a back-test over seeds."""
    tally = Tally()
    every_ms = round(every_min * MINUTE_MS)
    start_ms = TRIAL_ENDS_MS - round(days * DAY_MS)
    for seed in seeds:
        made = trial(seed, start_ms=start_ms, end_ms=TRIAL_ENDS_MS)
        every = play(made.scenario, start_ms=start_ms, end_ms=TRIAL_ENDS_MS, moves=made.moves)
        still = [one for one in every if not one.moves]
        played = still[:: max(1, len(still) // units)][:units]
        away = {
            one.unit: away_of(seed, k, start_ms=start_ms, end_ms=TRIAL_ENDS_MS)
            for k, one in enumerate(played)
        }
        say(f"seed {seed}: {len(played)} units for {days:g} days, a look every {every_min:g} min")
        with tempfile.TemporaryDirectory() as folder:
            moves = replay(played, away, every_ms=every_ms, folder=Path(folder))
        take(tally, played, away, moves, every_ms=every_ms)
    return tuple(lines(tally))


def lines(tally: Tally) -> Iterator[str]:
    """Return what was found, a line each."""
    yield f"{'':24}{'were':>6}{'told':>6}{'missed':>8}{'before':>8}{'delay p50':>11}{'p90':>6}  [min]"
    for kind, words in (("stopped", "stopped for want of power"), ("silent", "out of coverage")):
        found = tally.of(kind)
        told = [(t.told_ms, t.span.start_ms) for t in found if t.told_ms is not None]
        delays = [(told_ms - begun_ms) / MINUTE_MS for told_ms, begun_ms in told]
        after = [delay for delay in delays if delay >= 0.0]
        middle, late = np.percentile(after, [50, 90]) if after else (float("nan"),) * 2
        yield (
            f"{words:24}{len(found):6}{len(told):6}{len(found) - len(told):8}{len(delays) - len(after):8}"
            f"{middle:11.0f}{late:6.0f}"
        )
    yield f"cut-outs told of units that ran: {tally.needless}"
    for rates in tally.rates:
        days = (rates.end - rates.start) / DAY_MS
        shares = ", ".join(f"{name} {100 * share:.0f} %" for name, share in rates.shares.items())
        yield f"told {rates.count} in {days:.0f} days ({rates.kept_back} in floods): {shares or 'none'}"
        for each in rates.reached:
            yield (
                f"  {each.who}{'' if each.site is None else ' at ' + each.site}: {each.per_day:.1f} a day, "
                f"{each.per_hour:.2f} an hour, busiest hour {each.busiest_hour}"
            )
        yield from (f"  told {o.count} times: {o.cause_key}" for o in rates.offenders)
    for trouble in [t for t in tally.troubles if t.told_ms is None]:
        length_min = (trouble.span.end_ms - trouble.span.start_ms) / MINUTE_MS
        at = iso_of(trouble.span.start_ms)
        yield f"missed: {trouble.unit} {trouble.kind} at {at} for {length_min:.0f} min"
