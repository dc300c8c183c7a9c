"""What `bushlarder backtest notices` does: replays simulated weeks through the real monitor, and counts."""

import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from deploy.backtest_cutouts import LEAST_MISSING_MS
from deploy.backtesting import Played
from deploy.importing import samples_of
from deploy.notice_fleets import FLEETS, FleetName
from deploy.notice_lines import Tally, Trouble, lines
from deploy.notice_people import COOK, People
from services.domain import Fleet, Notice, NoticeMove
from services.domain.noticerates import CALLS, rates_of
from services.monitor.noticing import Noticing
from services.monitor.worker import Monitor
from services.records.facade import Records
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import Sample
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, Span

AWAY_EVERY_D, AWAY_H = 2.0, (1.0, 6.0)
"""How often a place is out of coverage, and for how long: drawn, and sent when it is back (judgement)."""
LEARN_MS = DAY_MS
"""The first day only teaches: what is told then was not seen to begin."""
WARM_UP_MS = 2 * HOUR_MS
"""So long before its end looks begin, for every delay to be over."""
MOST_STEPS = 10_000
SENSOR_FAULTS = frozenset({"sensor_stuck", "sensor_open", "sensor_drift", "sensor_noise"})
_POWER = frozenset({"cut_out", "battery_short"})


def fleet_of(played: Iterable[Played]) -> Fleet:
    """Return the fleet that the units of a run make."""
    settings = [one.settings for one in played]
    sites = {s.site.id: s.site for s in settings if s.site is not None}
    banks = {s.bank.id: s.bank for s in settings if s.bank is not None}
    return Fleet(
        sites=tuple(sites.values()),
        banks=tuple(banks.values()),
        units=tuple(s.unit for s in settings),
        people=(COOK,),
    )


def absences(seed: int, played: Sequence[Played]) -> dict[str, tuple[Span, ...]]:
    """Return when each unit was out of coverage: units of one place together."""
    start_ms, end_ms = _stretch(played)
    places = list(dict.fromkeys(one.settings.unit.site for one in played))
    away = [away_of(seed, k, start_ms=start_ms, end_ms=end_ms) for k in range(len(places))]
    return {one.unit: away[places.index(one.settings.unit.site)] for one in played}


def _stretch(played: Sequence[Played]) -> tuple[int, int]:
    """Return the first and the last moment of a run [ms]."""
    return min(int(o.series.t_ms[0]) for o in played), max(int(o.series.t_ms[-1]) for o in played)


def away_of(seed: int, place: int, *, start_ms: int, end_ms: int) -> tuple[Span, ...]:
    """Return when a place was out of coverage."""
    draw = np.random.default_rng([seed, place, 18])
    found: list[Span] = []
    at_ms = start_ms
    while True:
        at_ms += round(draw.exponential(AWAY_EVERY_D) * DAY_MS) + HOUR_MS
        until_ms = at_ms + round(draw.uniform(*AWAY_H) * HOUR_MS)
        if until_ms >= end_ms - HOUR_MS:
            return tuple(found)
        found.append(Span(at_ms, until_ms))
        at_ms = until_ms


@dataclass(frozen=True)
class Replayed:
    """What a run came to."""

    moves: list[NoticeMove]
    """Every change of every notice."""
    left: list[Notice]
    """Notices that are not over at its end."""
    rested: list[tuple[str, Span]] = field(default_factory=list)
    """Units that were said to be empty, each with from when to when: nothing is told of them, by design."""


def replay(
    played: Sequence[Played], away: Mapping[str, Sequence[Span]], *, every_ms: int, folder: Path
) -> Replayed:
    """Have the real monitor look at a run as its samples came, while people answer what they are told."""
    start_ms, end_ms = _stretch(played)
    arrivals = _arrivals(played, away)
    records = Records(folder / "records.db")
    records.apply_fleet(fleet_of(played), who="back-test", now_ms=start_ms - DAY_MS)
    with (
        closing(records),
        closing(SqliteStore(folder / "telemetry.db")) as store,
        closing(SqliteReader(folder / "telemetry.db")) as reader,
    ):
        monitor = Monitor(reader, records, seconds=lambda: 0.0)
        noticing, people = Noticing(records), People(records)
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
            people.step(now_ms)
        people.end(end_ms)
        moves = records.notice_moves(start_ms, end_ms + 1)
        return Replayed(moves, records.notices(now_ms=end_ms), people.rested)


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
    tally: Tally,
    played: Sequence[Played],
    away: Mapping[str, Sequence[Span]],
    found: Replayed,
    *,
    every_ms: int,
) -> None:
    """Put what really happened beside what was told."""
    moves = found.moves
    begun_ms, end_ms = _stretch(played)
    start_ms = begun_ms + LEARN_MS
    tally.told.update((move.kind, move.priority) for move in moves if move.move in CALLS)
    for one in played:
        if one.settings.unit.state != "in_use":
            continue  # nothing is told of it, by design
        rested = [span for unit, span in found.rested if unit == one.unit]
        for trouble in _troubles(one, moves, away[one.unit], Span(start_ms, end_ms), every_ms):
            if any(_lies_in(trouble.span, _late(span, every_ms)) for span in rested):
                tally.resting += 1
            else:
                tally.troubles.append(trouble)
        tally.needless += _needless(moves, one.unit, _stops(one, end_ms), every_ms)
    tally.rates.append(rates_of(moves, found.left, start_ms=start_ms, end_ms=end_ms))


def _troubles(
    one: Played, moves: Sequence[NoticeMove], away: Sequence[Span], whole: Span, every_ms: int
) -> Iterator[Trouble]:
    """Yield what really befell a unit that began in a stretch, with when it was told."""
    yield from _doubts(one, moves, whole.start_ms, whole.end_ms)
    power = _standing(moves, one.unit, _POWER)
    silent = _standing(moves, one.unit, frozenset({"silence", "cut_out"}))
    least_ms = LEAST_MISSING_MS + 2 * every_ms
    for span in _stops(one, whole.end_ms):
        dark = any(a.start_ms < span.end_ms and span.start_ms < a.end_ms for a in away)
        if span.start_ms >= whole.start_ms and span.end_ms - span.start_ms >= least_ms and not dark:
            yield Trouble(one.unit, "stopped", span, _told_ms(power, _late(span, every_ms)))
    for span in away:
        if span.start_ms >= whole.start_ms:
            yield Trouble(one.unit, "silent", span, _told_ms(silent, _late(span, every_ms)))


def _stops(one: Played, end_ms: int) -> list[Span]:
    """Return when a unit stopped for want of voltage, what is not over until the end."""
    return [Span(o.start_ms, end_ms if o.end_ms is None else o.end_ms) for o in one.outages]


def _doubts(one: Played, moves: Sequence[NoticeMove], start_ms: int, end_ms: int) -> Iterator[Trouble]:
    """Yield every fault of a sensor that began in the stretch, with when somebody was told to doubt it."""
    told = _standing(moves, one.unit, frozenset({"sensor_doubt"}))
    for fault in one.faults:
        if fault.kind in SENSOR_FAULTS and start_ms <= fault.begins_ms < end_ms:
            span = Span(fault.begins_ms, end_ms if fault.ends_ms is None else min(fault.ends_ms, end_ms))
            yield Trouble(one.unit, "sensor", span, _told_ms(told, span))


def _lies_in(span: Span, whole: Span) -> bool:
    return whole.start_ms <= span.start_ms and span.end_ms <= whole.end_ms


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
    *,
    seeds: Sequence[int],
    days: float,
    every_min: float,
    units: int,
    fleet: FleetName = "year",
    say: Callable[[str], None],
) -> tuple[str, ...]:
    """Return the lines of a back-test over seeds."""
    tally = Tally()
    every_ms = round(every_min * MINUTE_MS)
    for seed in seeds:
        played = FLEETS[fleet](seed, days=days, units=units)
        away = absences(seed, played)
        say(f"seed {seed}: {len(played)} units for {days:g} days, a look every {every_min:g} min")
        with tempfile.TemporaryDirectory() as folder:
            found = replay(played, away, every_ms=every_ms, folder=Path(folder))
        take(tally, played, away, found, every_ms=every_ms)
    return tuple(lines(tally))
