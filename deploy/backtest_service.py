"""Scores what the workshop is told on simulated years: faults found in time, and what was told falsely."""

import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from deploy.backtest_kinds import ELSEWHERE, PART, WANTED
from deploy.backtest_simulated import simulate_year
from deploy.backtest_told import DUTY_LIMIT, Call, all_calls, calendar_calls, duty_calls, parts
from deploy.backtest_years import Fault, UnitYear, Year, read_year
from services.timebase import DAY_MS

IN_TIME_MS = 3 * DAY_MS
TARGETS = {"found in time": 0.9, "false call-outs": 0.5}
"""Least share of faults; most for each unit and year."""
SETTLES_MS = 14 * DAY_MS
"""After a fault's end what is told of it is not false: the last days still show it."""
YEAR_D = 365.25
PROCESSES = 2


@dataclass(frozen=True)
class Judged:
    """One fault and what was told of it."""

    unit: str
    fault: Fault
    call: Call | None
    """The first in the right words."""
    some: Call | None = None
    """The first in any words."""

    @property
    def too_fast(self) -> bool:
        """Whether it put food at risk before anybody could have known for three days."""
        risk = self.fault.at_risk_ms
        return risk is not None and risk - self.fault.begins_ms < IN_TIME_MS + DAY_MS

    @property
    def in_time(self) -> bool:
        """Whether it was found three days before food was at risk; of one that never put it, at all."""
        return self._soon_enough(self.call)

    @property
    def some_in_time(self) -> bool:
        """Whether anything was told by then."""
        return self._soon_enough(self.some)

    def _soon_enough(self, call: Call | None) -> bool:
        if call is None:
            return False
        return self.fault.at_risk_ms is None or call.first_ms <= self.fault.at_risk_ms - IN_TIME_MS

    @property
    def named(self) -> bool:
        """Whether what was first told has the right part among what it could be."""
        return self.some is not None and PART[self.fault.kind] in self.some.could_be

    @property
    def named_first(self) -> bool:
        """Whether it comes first there."""
        return self.some is not None and self.some.could_be[:1] == (PART[self.fault.kind],)

    @property
    def days_to_find(self) -> float | None:
        """From its begin to the first time it was told."""
        return None if self.call is None else (self.call.first_ms - self.fault.begins_ms) / DAY_MS


@dataclass
class Score:
    """What a way of finding did over years."""

    name: str
    baseline: bool = False
    """A simple rule that must be beaten."""
    judged: list[Judged] = field(default_factory=list)
    false: list[tuple[str, Call]] = field(default_factory=list)
    other: list[tuple[str, str, Call]] = field(default_factory=list)
    """During faults that are told elsewhere."""
    unit_days: int = 0
    sound_days: int = 0
    """Of them, those on which anything told is false."""
    seeds: list[int] = field(default_factory=list)
    _places: dict[tuple[int, str, str, int], int] = field(default_factory=dict)
    _taken: list[tuple[UnitYear, Sequence[Call], bool]] = field(default_factory=list)

    @property
    def slow(self) -> list[Judged]:
        """Faults that could be found in time."""
        return [each for each in self.judged if not each.too_fast]

    @property
    def at_risk(self) -> list[Judged]:
        """Those of them that put food at risk."""
        return [each for each in self.slow if each.fault.at_risk_ms is not None]

    @property
    def share(self) -> float:
        """Of those that could be, the share that was found in time."""
        return share_of(self.slow)

    @property
    def by_chance(self) -> float:
        """Share that the same words would have found, told as they were of units sound in those days."""
        found = [self._chance(each.fault) for each in self.slow]
        return float(np.mean(found)) if found else float("nan")

    def _chance(self, fault: Fault) -> float:
        hits = [
            first_of(calls, fault, any_words=any_words) is not None
            for one, calls, any_words in self._taken
            if not any(_known(other.kind) and _overlap(other, fault) for other in one.faults)
        ]
        return float(np.mean(hits)) if hits else 0.0

    @property
    def false_a_year(self) -> float:
        """False call-outs for each unit and year without a fault."""
        return self._a_year(presses=True)

    @property
    def quiet_a_year(self) -> float:
        """False findings that press nobody, for each unit and year without a fault."""
        return self._a_year(presses=False)

    def _a_year(self, *, presses: bool) -> float:
        false = sum(call.presses == presses for _, call in self.false)
        return false / (self.sound_days / YEAR_D) if self.sound_days else float("nan")

    def take(self, year: Year, one: UnitYear, calls: Sequence[Call], *, any_words: bool = False) -> None:
        """Judge what was told of one unit; `any_words`: whatever is told counts as the right thing."""
        self.unit_days += (year.end_ms - year.start_ms) // DAY_MS
        self.sound_days += sound_days(year, one.faults)
        self._taken.append((one, calls, any_words))
        for fault in one.faults:
            if fault.kind in WANTED:
                right = first_of(calls, fault, any_words=any_words)
                some = first_of(calls, fault, any_words=True)
                self._judge(year, Judged(one.unit, fault, right, some))
        for call in calls:
            over = [fault for fault in one.faults if _during(call, fault)]
            if any(fault.kind in WANTED for fault in over):
                continue
            told = next((fault.kind for fault in over if fault.kind in ELSEWHERE), None)
            if told is None:
                self.false.append((one.unit, call))
            else:
                self.other.append((one.unit, told, call))

    def _judge(self, year: Year, judged: Judged) -> None:
        """Take a fault once: one of a bank is found by whichever of its units shows it first."""
        key = (year.seed, judged.fault.kind, judged.fault.on, judged.fault.begins_ms)
        place = self._places.setdefault(key, len(self.judged))
        if place == len(self.judged):
            self.judged.append(judged)
            return
        before = self.judged[place]
        risks = [one.fault.at_risk_ms for one in (before, judged) if one.fault.at_risk_ms is not None]
        self.judged[place] = replace(
            before,
            fault=replace(before.fault, at_risk_ms=min(risks, default=None)),
            call=_earlier(before.call, judged.call),
            some=_earlier(before.some, judged.some),
        )


def share_of(judged: Sequence[Judged]) -> float:
    """Return the share found in time."""
    return sum(each.in_time for each in judged) / len(judged) if judged else float("nan")


def _earlier(one: Call | None, other: Call | None) -> Call | None:
    told = [call for call in (one, other) if call is not None]
    return min(told, key=lambda call: call.first_ms, default=None)


def first_of(calls: Iterable[Call], fault: Fault, *, any_words: bool) -> Call | None:
    """Return the first call of a fault's own kind begun while it lasts; one standing before is none."""
    for call in calls:
        right = any_words or call.finding.startswith(WANTED[fault.kind])
        in_time = fault.ends_ms is None or call.first_ms <= fault.ends_ms
        if right and fault.begins_ms <= call.first_ms and in_time:
            return call
    return None


def sound_days(year: Year, faults: Iterable[Fault]) -> int:
    """Return on how many days of a unit's year anything that is told of it would be false."""
    sound = np.ones((year.end_ms - year.start_ms) // DAY_MS, dtype=np.bool_)
    for fault in faults:
        if _known(fault.kind):
            ends_ms = year.end_ms if fault.ends_ms is None else fault.ends_ms + SETTLES_MS
            first = max(0, (fault.begins_ms - year.start_ms) // DAY_MS)
            sound[first : (ends_ms - year.start_ms) // DAY_MS + 1] = False
    return int(sound.sum())


def _known(kind: str) -> bool:
    return kind in WANTED or kind in ELSEWHERE


def _overlap(one: Fault, other: Fault) -> bool:
    """Return whether one lasts, or has only just been mended, while the other does."""
    return (one.ends_ms is None or one.ends_ms + SETTLES_MS >= other.begins_ms) and (
        other.ends_ms is None or other.ends_ms >= one.begins_ms
    )


def _during(call: Call, fault: Fault) -> bool:
    ends_ms = call.first_ms if fault.ends_ms is None else fault.ends_ms + SETTLES_MS
    return fault.begins_ms <= call.first_ms <= ends_ms


def score(years: Iterable[Year], *, processes: int = 1) -> tuple[Score, ...]:
    """Return what all that is told did, parts of it by themselves, and both baselines, in this order."""
    every = Score("all that is told")
    pressing, weeks = Score("call-outs alone"), Score("over weeks alone")
    weeks_pressing = Score("both of these")
    duty = Score(f"duty over {DUTY_LIMIT:g}", baseline=True)
    calendar = Score("calendar", baseline=True)
    for year in years:
        every.seeds.append(year.seed)
        for one, calls in all_calls(year, processes=processes):
            every.take(year, one, calls)
            pressing.take(year, one, parts(calls, presses=True))
            weeks.take(year, one, parts(calls, weeks=True))
            weeks_pressing.take(year, one, parts(calls, presses=True, weeks=True))
        for kept, simple in ((duty, duty_calls), (calendar, calendar_calls)):
            for one, told in simple(year):
                kept.take(year, one, told, any_words=True)
    return every, pressing, weeks, weeks_pressing, duty, calendar


def years(seeds: Sequence[int], logs: Sequence[Path], *, say: Callable[[str], None]) -> Iterator[Year]:
    """Return years already written, then those of the seeds given, their faults drawn and simulated."""
    for written in logs:
        say(f"reading {written.name}")
        yield read_year(written, say=say, processes=PROCESSES)
    for seed in seeds:
        with tempfile.TemporaryDirectory(prefix="bushlarder-year-") as folder:
            say(f"seed {seed}: drawing and simulating a year")
            simulate_year(seed, Path(folder), say=say)
            yield read_year(Path(folder), say=say, processes=PROCESSES)


def short_of(scores: Sequence[Score]) -> tuple[str, ...]:
    """Return the targets that were missed, baselines that were not beaten included."""
    own, baselines = scores[0], [each for each in scores if each.baseline]
    missed = []
    if not own.share >= TARGETS["found in time"]:
        missed.append(f"found in time {own.share:.2f}, wanted {TARGETS['found in time']:g}")
    if not own.false_a_year <= TARGETS["false call-outs"]:
        missed.append(
            f"false call-outs {own.false_a_year:.2f} a unit-year, at most {TARGETS['false call-outs']:g}"
        )
    missed += [
        f"{each.name} finds as many, as quietly"
        for each in baselines
        if each.share >= own.share and each.false_a_year <= own.false_a_year
    ]
    return tuple(missed)
