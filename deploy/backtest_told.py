"""What is told of a simulated year day by day: findings over weeks, findings within one, simple rules."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from deploy.backtest_kinds import family
from deploy.backtest_years import UnitYear, Year, in_processes
from services.analytics.service.longrun import changed
from services.analytics.service.signals import days_of
from services.analytics.service.weather import Weather, warmth_of
from services.domain import Finding
from services.timebase import DAY_MS

SAME_MS = 14 * DAY_MS
"""What is told again within a fortnight is the same call: nobody has been there yet."""


@dataclass(frozen=True)
class Call:
    """One kind of finding as it stood, from the day it was first told to the last."""

    finding: str
    first_ms: int
    last_ms: int
    could_be: tuple[str, ...] = ()
    presses: bool = True
    """A call-out; else something to look at when somebody is there."""
    weeks: bool = True
    """Told from change over weeks; else from the samples of a week."""
    wait_ms: tuple[int | None, int | None] = (None, None)
    """Until when it may wait, the early and the late end, as first told."""


def all_calls(year: Year, *, processes: int = 1) -> Iterator[tuple[UnitYear, list[Call]]]:
    """Return all that the workshop is told: findings over weeks as of every day, others as looked for."""
    weather = warmth_of({one.unit: one.table for one in year.units})
    tasks = [(one, weather, year.start_ms, year.end_ms) for one in year.units]
    yield from zip(year.units, in_processes(_calls_of, tasks, processes), strict=True)


def _calls_of(task: tuple[UnitYear, Weather, int, int]) -> list[Call]:
    """Return all that is told of one unit."""
    one, weather, start_ms, end_ms = task
    days, over = days_of(one.table, one.settings, weather), _Told(weeks=True)
    for today_ms in range(start_ms + DAY_MS, end_ms + DAY_MS, DAY_MS):
        past = days.until(today_ms)
        found = changed(past, one.marks, one.settings, today_ms=today_ms, dated=False)
        if over.new(found, today_ms):  # as a person first reads it
            found = (*found, *changed(past, one.marks, one.settings, today_ms=today_ms))
        over.take(found, today_ms)
    within = _Told(weeks=False)
    for look in one.looks:
        within.take(look.found, look.at_ms)
    return sorted([*over.calls(), *within.calls()], key=lambda call: call.first_ms)


class _Told:
    """Findings day after day, put together to calls."""

    def __init__(self, *, weeks: bool) -> None:
        self._weeks = weeks
        self._open: dict[tuple[str, bool], Call] = {}
        self._done: list[Call] = []

    def new(self, found: Iterable[Finding], today_ms: int) -> bool:
        """Return whether one of them begins a call."""
        return any(self._standing(finding, today_ms) is None for finding in found)

    def take(self, found: Iterable[Finding], today_ms: int) -> None:
        """Take what is told on a day; of one told twice the fuller text stays."""
        for finding in found:
            key = (family(finding.finding), finding.call_out)
            call = self._standing(finding, today_ms)
            if call is None:
                self._done += [self._open.pop(key)] if key in self._open else []
                call = Call(finding.finding, today_ms, today_ms, presses=finding.call_out, weeks=self._weeks)
            if call.first_ms == today_ms:
                wait_ms = (finding.wait_until_early, finding.wait_until_late)
                call = replace(call, could_be=finding.could_be, wait_ms=wait_ms)
            self._open[key] = replace(call, last_ms=today_ms)

    def calls(self) -> list[Call]:
        """Return all of them."""
        return [*self._done, *self._open.values()]

    def _standing(self, finding: Finding, today_ms: int) -> Call | None:
        call = self._open.get((family(finding.finding), finding.call_out))
        return call if call is not None and today_ms - call.last_ms <= SAME_MS else None


def parts(calls: Sequence[Call], *, presses: bool = False, weeks: bool = False) -> list[Call]:
    """Return the calls that press, or come from weeks, where that is asked for."""
    return [call for call in calls if (call.presses or not presses) and (call.weeks or not weeks)]


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
