"""Scores long-run findings on simulated years: faults found in time, false call-outs, and mistaken ones."""

import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from deploy.backtest_years import Fault, UnitYear, Year, read_year
from deploy.backtesting import reseeded
from deploy.simulate_files import write_files
from deploy.simulating import Job
from services.analytics.service.longrun import changed
from services.analytics.service.signals import days_of
from services.analytics.service.weather import warmth_of
from services.domain import Finding
from services.timebase import DAY_MS

SCENARIO = "fleet_year"
IN_TIME_MS = 3 * DAY_MS
TARGETS = {"found in time": 0.9, "false call-outs": 0.5}
"""Least share of faults; most for each unit and year."""
SETTLES_MS = 14 * DAY_MS
"""After a fault's end what is told of it is not false: the last days still show it."""
YEAR_D = 365.25

COOLING = ("cooling weaker", "warms faster")
SUPPLY = ("more voltage lost", "less voltage left")

WANTED: dict[str, tuple[str, ...]] = {
    "refrigerant_leak": COOLING,
    "dusty_condenser": (*COOLING, SUPPLY[0]),
    "condenser_fan_dead": (*COOLING, SUPPLY[0]),
    "evaporator_fan_dead": COOLING,
    "frosted_evaporator": COOLING,
    "worn_gasket": COOLING,
    "wet_foam": COOLING,
    "weak_compressor": COOLING,
    "blocked_niche": COOLING,
    "weak_battery": SUPPLY,
    "sulphated_bank": SUPPLY,
    "corroded_joint": SUPPLY,
    "undersized_cable": SUPPLY,
}
"""Faults that findings over weeks are for, with how the right ones begin. Dust and a dead fan raise the
current before the cooling falls: without a sensor for it that shows as voltage lost."""

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
class Call:
    """One call-out as it stood, from the day it was first told to the last."""

    finding: str
    first_ms: int
    last_ms: int
    could_be: tuple[str, ...] = ()


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
        """From its begin to the first call-out."""
        return None if self.call is None else (self.call.first_ms - self.fault.begins_ms) / DAY_MS


@dataclass
class Score:
    """What a way of finding did over years."""

    name: str
    judged: list[Judged] = field(default_factory=list)
    false: list[tuple[str, Call]] = field(default_factory=list)
    other: list[tuple[str, str, Call]] = field(default_factory=list)
    """During faults that are told elsewhere."""
    unit_days: int = 0
    seeds: list[int] = field(default_factory=list)
    _places: dict[tuple[int, str, str, int], int] = field(default_factory=dict)

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
    def false_a_year(self) -> float:
        """False call-outs for each unit and year."""
        return len(self.false) / (self.unit_days / YEAR_D) if self.unit_days else float("nan")

    def take(self, year: Year, one: UnitYear, calls: Sequence[Call], *, any_words: bool = False) -> None:
        """Judge what was told of one unit; `any_words`: whatever is told counts as the right thing."""
        self.unit_days += (year.end_ms - year.start_ms) // DAY_MS
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
    """Return the first call-out of a fault's own kind while it lasts."""
    for call in calls:
        right = any_words or call.finding.startswith(WANTED[fault.kind])
        if right and call.last_ms >= fault.begins_ms and (fault.ends_ms or call.first_ms) >= call.first_ms:
            return (
                call
                if call.first_ms >= fault.begins_ms
                else Call(call.finding, fault.begins_ms, call.last_ms, call.could_be)
            )
    return None


def _during(call: Call, fault: Fault) -> bool:
    ends_ms = call.first_ms if fault.ends_ms is None else fault.ends_ms + SETTLES_MS
    return fault.begins_ms <= call.first_ms <= ends_ms


def findings_calls(year: Year) -> Iterator[tuple[UnitYear, list[Call]]]:
    """Ask for findings at the beginning of every day, as the service does."""
    weather = warmth_of({one.unit: one.table for one in year.units})
    for one in year.units:
        days, open_, done = days_of(one.table, one.settings, weather), dict[str, Call](), list[Call]()
        for today_ms in range(year.start_ms + DAY_MS, year.end_ms + DAY_MS, DAY_MS):
            past = days.until(today_ms)
            told = _told(changed(past, one.marks, one.settings, today_ms=today_ms, dated=False))
            if told.keys() - open_.keys():  # as a person first reads it
                told |= _told(changed(past, one.marks, one.settings, today_ms=today_ms))
            done += [open_.pop(family) for family in list(open_) if family not in told]
            for family, each in told.items():
                first = open_.get(family, Call(each.finding, today_ms, today_ms, each.could_be))
                open_[family] = replace(first, last_ms=today_ms)
        yield one, sorted([*done, *open_.values()], key=lambda call: call.first_ms)


def _told(found: Iterable[Finding]) -> dict[str, Finding]:
    """Return call-outs by their kind of change."""
    return {_family(finding.finding): finding for finding in found if finding.call_out}


def _family(finding: str) -> str:
    return next((words for words in (*COOLING, *SUPPLY) if finding.startswith(words)), finding)


DUTY_LIMIT, DUTY_DAYS = 0.5, 3
"""The first baseline: it ran more than half of the time for three days in a row."""
CALENDAR_D = 90
"""The second: every unit is seen to four times a year, whatever it does."""


def duty_calls(year: Year) -> Iterator[tuple[UnitYear, list[Call]]]:
    """Call where the running share stays above a fixed threshold."""
    for one in year.units:
        above = one.table.column("duty") > DUTY_LIMIT
        calls, row = [], 0
        for day_ms, over in zip(one.table.day_ms.tolist(), above.tolist(), strict=True):
            row = row + 1 if over else 0
            if row == DUTY_DAYS:
                calls.append(Call("duty", day_ms + DAY_MS, day_ms + DAY_MS))
            elif row > DUTY_DAYS:
                calls[-1] = Call("duty", calls[-1].first_ms, day_ms + DAY_MS)
        yield one, calls


def calendar_calls(year: Year) -> Iterator[tuple[UnitYear, list[Call]]]:
    """Call at fixed dates."""
    dates = range(year.start_ms + CALENDAR_D * DAY_MS, year.end_ms, CALENDAR_D * DAY_MS)
    for one in year.units:
        yield one, [Call("calendar", date, date) for date in dates]


def score(years: Iterable[Year]) -> tuple[Score, Score, Score]:
    """Return what the findings did, and both baselines."""
    own, duty, calendar = Score("findings"), Score(f"duty over {DUTY_LIMIT:g}"), Score("calendar")
    for year in years:
        own.seeds.append(year.seed)
        for kept, calls in ((own, findings_calls), (duty, duty_calls), (calendar, calendar_calls)):
            for one, told in calls(year):
                kept.take(year, one, told, any_words=kept is not own)
    return own, duty, calendar


def years(seeds: Sequence[int], logs: Sequence[Path], *, say: Callable[[str], None]) -> Iterator[Year]:
    """Return years already written, then fresh ones of the seeds given."""
    for written in logs:
        say(f"reading {written.name}")
        yield read_year(written)
    for seed in seeds:
        job = Job.of(Path(SCENARIO), units=None, days=None, end=None)
        start_ms, end_ms = job.stretch_ms()
        with tempfile.TemporaryDirectory(prefix="bushlarder-year-") as folder:
            say(f"seed {seed}: simulating {job.days:g} days of {len(job.scenario.units)} units")
            scenario = reseeded(job.scenario, seed)
            write_files(scenario, Path(folder), start_ms=start_ms, end_ms=end_ms, run_out_every_h=0.0)
            yield read_year(Path(folder))


def lines(scores: Sequence[Score]) -> Iterator[str]:
    """Return the report."""
    own = scores[0]
    yield f"seeds: {' '.join(map(str, own.seeds))}; {own.unit_days / YEAR_D:.1f} unit-years"
    yield f"{'way':<16}{'found 3 d before risk':>22}{'false / unit-year':>20}{'days to find, median':>22}"
    for each in scores:
        slow = each.slow
        found = [judged.days_to_find for judged in slow if judged.days_to_find is not None]
        middle = f"{np.median(found):.0f}" if found else "none"
        share = f"{sum(one.in_time for one in slow)}/{len(slow)} = {each.share:.2f}"
        yield f"{each.name:<16}{share:>22}{each.false_a_year:>20.2f}{middle:>22}"
    yield "by fault, in time / could be; days to find"
    for kind in WANTED:
        ours = [one for one in own.slow if one.fault.kind == kind]
        days = ", ".join("missed" if d is None else f"{d:.0f}" for d in (one.days_to_find for one in ours))
        yield f"  {kind:<22}{sum(one.in_time for one in ours)}/{len(ours)}  {days}"
    yield "food at risk within three days of the fault, apart; days to find"
    for one in own.judged:
        if one.too_fast:
            days = "not found" if one.days_to_find is None else f"{one.days_to_find:.0f} d"
            yield f"  {one.fault.kind} on {one.unit}: {days}"
    yield "true fault -> told, with what it could be"
    for (kind, told), times in sorted(_confusion(own).items()):
        yield f"  {kind} -> {told}: {times}"
    yield "false call-outs"
    yield from (f"  {unit}: {call.finding}, {_day(call)}" for unit, call in own.false)
    yield "call-outs during faults that are told elsewhere"
    yield from (f"  {unit}: {call.finding} during {kind}, {_day(call)}" for unit, kind, call in own.other)


def _confusion(own: Score) -> Counter[tuple[str, str]]:
    found: Counter[tuple[str, str]] = Counter()
    for one in own.judged:
        told = "nothing" if one.call is None else f"{one.call.finding} ({', '.join(one.call.could_be)})"
        found[one.fault.kind, told] += 1
    return found


def _day(call: Call) -> str:
    return f"for {(call.last_ms - call.first_ms) / DAY_MS + 1:.0f} d from day {call.first_ms // DAY_MS}"


def short_of(scores: Sequence[Score]) -> tuple[str, ...]:
    """Return the targets that were missed, baselines that were not beaten included."""
    own, *baselines = scores
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
