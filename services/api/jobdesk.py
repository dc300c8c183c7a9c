"""The part of the desk for jobs of the workshop, departures, and service that comes round."""

from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime, time

from services.api.healthport import Used
from services.api.lookback import LookBackDesk
from services.domain import (
    Departure,
    DepartureSaid,
    Fleet,
    Job,
    JobOpened,
    JobSaid,
    JobState,
    ServiceRule,
    Unit,
    UnitCard,
)
from services.domain.planned import LastFrom, PlannedDue, Use, planned_due, rules_for
from services.errors import Refused
from services.timebase import DAY_MS, ms_of

_Last = tuple[int, LastFrom]
RATE_OF_MS = 56 * DAY_MS
"""How far back a machine's rate of running is taken from (judgement): a season, not a week's weather."""


class UnknownJobError(LookupError):
    """There is no job of that number."""


class JobDesk(LookBackDesk):
    """Reads jobs, and writes down what named persons say of them."""

    def jobs(
        self, units: Collection[str] | None = None, state: JobState | None = None, limit: int = 500
    ) -> list[Job]:
        """Return jobs, the newest first; without `units`, of all."""
        return list(self._records.jobs(units=units, state=state, limit=limit))

    def job(self, number: int) -> Job:
        """Return a job.

        Raises
        ------
        UnknownJobError
            If there is no such job.
        """
        job = self._records.job(number)
        if job is None:
            raise UnknownJobError(f"There is no job {number}.")
        return job

    def open_job(self, said: JobOpened) -> Job:
        """Write down that a named person asks for work on a cabinet."""
        return self.job(self._records.open_job(said, now_ms=self.now_ms()))

    def say_of_job(self, number: int, said: JobSaid) -> Job:
        """Write down something said of a job (see `job` for what is raised)."""
        self.job(number)
        self._records.say_of_job(number, said, now_ms=self.now_ms())
        return self.job(number)

    def departures(self) -> list[Departure]:
        """Return departures ahead, the earliest first."""
        now_ms = self.now_ms()
        return [each for each in self._records.departures() if each.leaves >= now_ms]

    def say_departure(self, said: DepartureSaid) -> list[Departure]:
        """Write down when a vehicle leaves next, and return the departures ahead."""
        if said.site not in {site.id for site in self._records.fleet().sites}:
            raise Refused(f"There is no site {said.site!r}.")
        self._records.say_departure(said, now_ms=self.now_ms())
        return self.departures()

    def planned(self, units: Collection[str] | None = None) -> list[PlannedDue]:
        """Return work that comes round on every cabinet, as its rules and its own use have it."""
        fleet = self._records.fleet()
        cards = {card.unit: card for card in self._records.cards()}
        last, now_ms = self._last_done(fleet), self.now_ms()
        used = self._records.use_between(now_ms - RATE_OF_MS, now_ms)
        found: list[PlannedDue] = []
        for unit in fleet.units:
            if units is None or unit.id in units:
                use = _use(used.get(unit.id), cards.get(unit.id))
                found += self._planned_of(fleet.service_rules, unit, use, last)
        return found

    def _planned_of(
        self, rules: Sequence[ServiceRule], unit: Unit, use: Use, last: Mapping[tuple[str, str], _Last]
    ) -> Sequence[PlannedDue]:
        now_ms, put_in = self.now_ms(), unit.installed
        first: _Last | None = None
        if put_in is not None:
            first = ms_of(datetime.combine(put_in, time(), UTC)), "installed"
        found = []
        for rule in rules_for(rules, unit):
            at_ms, told_by = last.get((unit.id, rule.work)) or first or (None, None)
            found.append(planned_due(rule, unit.id, use, last_ms=at_ms, last_from=told_by, as_of_ms=now_ms))
        return found

    def _last_done(self, fleet: Fleet) -> dict[tuple[str, str], _Last]:
        """Return when each kind of work was last recorded on each cabinet, and what tells so."""
        found: dict[tuple[str, str], _Last] = {
            (done.unit, done.work): (done.at_ms, "job") for done in self._records.last_done()
        }
        ice = dict(self._records.last_ice_points())
        for unit in fleet.units:
            for check in unit.sensor.checks:
                ice[unit.id] = max(ice.get(unit.id, 0), ms_of(check.at))
        for checked, at_ms in ice.items():
            if at_ms >= found.get((checked, "ice_point"), (0, "job"))[0]:
                found[checked, "ice_point"] = (at_ms, "check")
        return found


def _use(used: Used | None, card: UnitCard | None) -> Use:
    """Return how much a cabinet is used: by its kept days, else by the few its card is about."""
    if used is None or used.days == 0:
        return Use.of_bench(None if card is None else card.bench)
    return Use.of_days(used.hours_seen, used.hours_run, used.starts, used.dust_h)
