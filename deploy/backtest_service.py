"""Scores what the workshop is told on simulated years: faults found in time, and what was told falsely."""

import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from deploy.backtest_told import (
    COOLING,
    DUTY_LIMIT,
    HOT,
    SUPPLY,
    Call,
    all_calls,
    calendar_calls,
    duty_calls,
    parts,
)
from deploy.backtest_years import Fault, UnitYear, Year, read_year
from deploy.backtesting import reseeded
from deploy.simulate_files import write_files
from deploy.simulating import Job
from services.timebase import DAY_MS

SCENARIO = "fleet_year"
IN_TIME_MS = 3 * DAY_MS
TARGETS = {"found in time": 0.9, "false call-outs": 0.5}
"""Least share of faults; most for each unit and year."""
SETTLES_MS = 14 * DAY_MS
"""After a fault's end what is told of it is not false: the last days still show it."""
YEAR_D = 365.25

LIMITS = ("compressor hardly ever stops", "cabinet never reaches", "over-temperature stops")
WEAKER, WARMER = (COOLING[0], *LIMITS), (COOLING[1], *LIMITS)
CHOKED = (*WEAKER, *HOT, SUPPLY[0])
"""Dust and a dead fan raise the current before the cooling falls: without a sensor for it that shows as
voltage lost."""
PATH = (*SUPPLY, "supply path resistance high", "repeated cut-outs")
BATTERY = (*PATH, "battery falls fast", "absorption voltage within minutes")

WANTED: dict[str, tuple[str, ...]] = {
    "refrigerant_leak": WEAKER,
    "dusty_condenser": CHOKED,
    "condenser_fan_dead": CHOKED,
    "evaporator_fan_dead": (*WEAKER, COOLING[1]),
    "frosted_evaporator": (*WEAKER, COOLING[1]),
    "worn_gasket": WARMER,
    "wet_foam": WARMER,
    "weak_compressor": WEAKER,
    "blocked_niche": (*WEAKER, *HOT),
    "weak_battery": BATTERY,
    "sulphated_bank": BATTERY,
    "corroded_joint": PATH,
    "undersized_cable": PATH,
}
"""Faults that findings for the workshop are for, with how the right ones begin."""

ELSEWHERE = frozenset(
    {
        "thermostat_offset",
        "sensor_stuck",
        "sensor_drift",
        "sensor_open",
        "sensor_noise",
        "voltage_stuck",
        "voltage_scaled",
        "half_tapped",
        "failed_charger",
        "relay_stuck_open",
        "relay_stuck_closed",
        "cutout_turned",
        "swapped_identity",
        "gateway_brownout",
        "compressor_stalled",
        "clock_reset",
    }
)
"""Real faults that other parts of the service tell of: a call-out is neither asked for nor false; listed."""


@dataclass(frozen=True)
class Judged:
    """One fault and what was told of it."""

    unit: str
    fault: Fault
    call: Call | None

    @property
    def too_fast(self) -> bool:
        """Whether it put food at risk before anybody could have known for three days."""
        risk = self.fault.at_risk_ms
        return risk is not None and risk - self.fault.begins_ms < IN_TIME_MS + DAY_MS

    @property
    def in_time(self) -> bool:
        """Whether it was found three days before food was at risk; of one that never put it, at all."""
        if self.call is None:
            return False
        return self.fault.at_risk_ms is None or self.call.first_ms <= self.fault.at_risk_ms - IN_TIME_MS

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
    seeds: list[int] = field(default_factory=list)
    _places: dict[tuple[int, str, str, int], int] = field(default_factory=dict)
    _taken: list[tuple[UnitYear, Sequence[Call], bool]] = field(default_factory=list)

    @property
    def slow(self) -> list[Judged]:
        """Faults that could be found in time."""
        return [each for each in self.judged if not each.too_fast]

    @property
    def share(self) -> float:
        """Of those, the share that was."""
        slow = self.slow
        return sum(each.in_time for each in slow) / len(slow) if slow else float("nan")

    @property
    def by_chance(self) -> float:
        """Share that the same words would have found, told as they were of units sound in those days."""
        found = [self._chance(each.fault) for each in self.slow]
        return float(np.mean(found)) if found else float("nan")

    def _chance(self, fault: Fault) -> float:
        hits = [
            _first(calls, fault, any_words=any_words) is not None
            for one, calls, any_words in self._taken
            if not any(_known(other.kind) and _overlap(other, fault) for other in one.faults)
        ]
        return float(np.mean(hits)) if hits else 0.0

    @property
    def false_a_year(self) -> float:
        """False call-outs for each unit and year."""
        return self._a_year(presses=True)

    @property
    def quiet_a_year(self) -> float:
        """False findings that press nobody, for each unit and year."""
        return self._a_year(presses=False)

    def _a_year(self, *, presses: bool) -> float:
        false = sum(call.presses == presses for _, call in self.false)
        return false / (self.unit_days / YEAR_D) if self.unit_days else float("nan")

    def take(self, year: Year, one: UnitYear, calls: Sequence[Call], *, any_words: bool = False) -> None:
        """Judge what was told of one unit; `any_words`: whatever is told counts as the right thing."""
        self.unit_days += (year.end_ms - year.start_ms) // DAY_MS
        self._taken.append((one, calls, any_words))
        for fault in one.faults:
            if fault.kind in WANTED:
                self._judge(year, Judged(one.unit, fault, _first(calls, fault, any_words=any_words)))
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
        before = self.judged[place].call
        if judged.call is not None and (before is None or judged.call.first_ms < before.first_ms):
            self.judged[place] = judged


def _first(calls: Iterable[Call], fault: Fault, *, any_words: bool) -> Call | None:
    """Return the first call of a fault's own kind begun while it lasts; one standing before is none."""
    for call in calls:
        right = any_words or call.finding.startswith(WANTED[fault.kind])
        if right and fault.begins_ms <= call.first_ms <= (fault.ends_ms or call.first_ms):
            return call
    return None


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


def score(years: Iterable[Year]) -> tuple[Score, ...]:
    """Return what all that is told did, parts of it by themselves, and both baselines, in this order."""
    every = Score("all that is told")
    pressing, weeks = Score("call-outs alone"), Score("over weeks alone")
    weeks_pressing = Score("both of these")
    duty = Score(f"duty over {DUTY_LIMIT:g}", baseline=True)
    calendar = Score("calendar", baseline=True)
    for year in years:
        every.seeds.append(year.seed)
        for one, calls in all_calls(year):
            every.take(year, one, calls)
            pressing.take(year, one, parts(calls, presses=True))
            weeks.take(year, one, parts(calls, weeks=True))
            weeks_pressing.take(year, one, parts(calls, presses=True, weeks=True))
        for kept, simple in ((duty, duty_calls), (calendar, calendar_calls)):
            for one, told in simple(year):
                kept.take(year, one, told, any_words=True)
    return every, pressing, weeks, weeks_pressing, duty, calendar


def years(seeds: Sequence[int], logs: Sequence[Path], *, say: Callable[[str], None]) -> Iterator[Year]:
    """Return years already written, then fresh ones of the seeds given."""
    for written in logs:
        say(f"reading {written.name}")
        yield read_year(written, say=say)
    for seed in seeds:
        job = Job.of(Path(SCENARIO), units=None, days=None, end=None)
        start_ms, end_ms = job.stretch_ms()
        with tempfile.TemporaryDirectory(prefix="bushlarder-year-") as folder:
            say(f"seed {seed}: simulating {job.days:g} days of {len(job.scenario.units)} units")
            scenario = reseeded(job.scenario, seed)
            write_files(scenario, Path(folder), start_ms=start_ms, end_ms=end_ms, run_out_every_h=0.0)
            yield read_year(Path(folder), say=say)


def lines(scores: Sequence[Score]) -> Iterator[str]:
    """Return the report."""
    own = scores[0]
    yield f"seeds: {' '.join(map(str, own.seeds))}; {own.unit_days / YEAR_D:.1f} unit-years"
    at_risk = sum(one.fault.at_risk_ms is not None for one in own.judged)
    yield (
        f"{at_risk} of {len(own.judged)} faults put food at risk at all; the others are found in time where"
        " they are told before their end"
    )
    yield "by chance: what the same words, told of units sound in those days, would have found"
    yield "false for each unit and year: call-outs; findings that press nobody"
    yield f"{'way':<18}{'found in time':>16}{'by chance':>11}{'call-outs':>11}{'other':>8}{'median days':>13}"
    for each in scores:
        slow = each.slow
        found = [judged.days_to_find for judged in slow if judged.days_to_find is not None]
        middle = f"{np.median(found):.0f}" if found else "none"
        share = f"{sum(one.in_time for one in slow)}/{len(slow)} = {each.share:.2f}"
        false = f"{each.false_a_year:>11.2f}{each.quiet_a_year:>8.2f}"
        yield f"{each.name:<18}{share:>16}{each.by_chance:>11.2f}{false}{middle:>13}"
    yield "by fault, in time / could be; days until told, and until called out"
    for kind in WANTED:
        ours = [k for k, one in enumerate(own.judged) if one.fault.kind == kind and not one.too_fast]
        days = ", ".join(f"{_days(own.judged[k])} ({_days(scores[1].judged[k])})" for k in ours)
        yield f"  {kind:<22}{sum(own.judged[k].in_time for k in ours)}/{len(ours)}  {days}"
    yield "food at risk within three days of the fault, apart; days to find"
    yield from (f"  {one.fault.kind} on {one.unit}: {_days(one)}" for one in own.judged if one.too_fast)
    yield "true fault -> first told, with what it could be"
    for (kind, told), times in sorted(_confusion(own).items()):
        yield f"  {kind} -> {told}: {times}"
    for presses, title in ((True, "false call-outs"), (False, "false findings that press nobody")):
        yield title
        yield from (f"  {unit}: {_told(call)}" for unit, call in own.false if call.presses == presses)
    yield "call-outs during faults that are told elsewhere"
    yield from (f"  {unit}: {_told(call)}, {kind}" for unit, kind, call in own.other if call.presses)


def _days(one: Judged) -> str:
    return "not told" if one.days_to_find is None else f"{one.days_to_find:.0f}"


def _told(call: Call) -> str:
    days = (call.last_ms - call.first_ms) / DAY_MS + 1
    seen = "over weeks" if call.weeks else "within a week"
    return f"{call.finding} ({seen}), for {days:.0f} d from day {call.first_ms // DAY_MS}"


def _confusion(own: Score) -> Counter[tuple[str, str]]:
    found: Counter[tuple[str, str]] = Counter()
    for one in own.judged:
        told = "nothing" if one.call is None else f"{one.call.finding} ({', '.join(one.call.could_be)})"
        found[one.fault.kind, told] += 1
    return found


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
