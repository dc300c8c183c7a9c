"""The door to run tests: begun by a person, judged by the monitor, their results kept for good."""

from collections.abc import Collection

from services.domain import RunTest, RunTestAdded, RunTestBegun, RunTestRecord
from services.errors import Refused
from services.records import jobbook, runtestbook, signing
from services.records.door import Door

MOST_TESTS = 200
_TESTABLE = frozenset({"bench", "in_use"})


class RunTestRecords(Door):
    """Beginning, following and concluding tests of units."""

    def begin_run_test(self, begun: RunTestBegun, *, now_ms: int) -> int:
        """Write down that a person begins a test, and return its number.

        Raises
        ------
        Refused
            If unit, person or job is unknown, the unit is neither on the bench nor in use, or a test runs.
        """
        fleet = self.fleet()
        signing.require_unit(fleet, begun.unit)
        signing.require_person(fleet, begun.person)
        if fleet.settings_of(begun.unit).unit.state not in _TESTABLE:
            raise Refused("Say first that the unit is on the bench or in use: it is tested as it runs.")
        with self._database.writing() as session:
            if begun.job is not None:
                found = jobbook.jobs_of(session, [begun.job])
                if not found or found[0].unit != begun.unit:
                    raise Refused(f"Job {begun.job} is none of this unit.")
            return runtestbook.begin(session, begun, now_ms=now_ms)

    def say_of_run_test(self, number: int, added: RunTestAdded, *, now_ms: int) -> None:
        """Write down something said of a test that runs.

        Raises
        ------
        Refused
            If person or test is unknown, or the test is over.
        """
        signing.require_person(self.fleet(), added.person)
        with self._database.writing() as session:
            runtestbook.say(session, number, added, now_ms=now_ms)

    def show_run_test(self, number: int, result: RunTest) -> None:
        """Keep how a test stands so far."""
        with self._database.writing() as session:
            runtestbook.show(session, number, result)

    def conclude_run_test(self, number: int, result: RunTest, *, now_ms: int) -> bool:
        """Write down the result of a test, once; return whether it was not there yet."""
        with self._database.writing() as session:
            return runtestbook.conclude(session, number, result, now_ms=now_ms)

    def run_tests(
        self,
        *,
        units: Collection[str] | None = None,
        job: int | None = None,
        running: bool = False,
        limit: int = MOST_TESTS,
    ) -> list[RunTestRecord]:
        """Return tests, the newest first; without `units`, of all; of one job, or those not concluded yet."""
        with self._database.reading() as session:
            of = runtestbook.numbers(session, units=units, job=job, running=running, limit=limit)
            return runtestbook.records_of(session, of)

    def run_test(self, number: int) -> RunTestRecord | None:
        """Return one test."""
        with self._database.reading() as session:
            return next(iter(runtestbook.records_of(session, [number])), None)
