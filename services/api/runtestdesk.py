"""The part of the desk for run tests: begun and spoken of by named persons, judged elsewhere."""

from collections.abc import Collection

from services.api.jobdesk import JobDesk
from services.domain import RunTestAdded, RunTestBegun, RunTestRecord


class UnknownRunTestError(LookupError):
    """There is no test of that number."""


class RunTestDesk(JobDesk):
    """Reads tests, and writes down what named persons say of them."""

    def run_tests(
        self, units: Collection[str] | None = None, *, job: int | None = None, running: bool = False
    ) -> list[RunTestRecord]:
        """Return tests, the newest first; without `units`, of all."""
        return list(self._records.run_tests(units=units, job=job, running=running))

    def run_test(self, number: int) -> RunTestRecord:
        """Return a test.

        Raises
        ------
        UnknownRunTestError
            If there is no such test.
        """
        test = self._records.run_test(number)
        if test is None:
            raise UnknownRunTestError(f"There is no test {number}.")
        return test

    def begin_run_test(self, begun: RunTestBegun) -> RunTestRecord:
        """Write down that a named person begins a test."""
        return self.run_test(self._records.begin_run_test(begun, now_ms=self.now_ms()))

    def say_of_run_test(self, number: int, added: RunTestAdded) -> RunTestRecord:
        """Write down something said of a test (see `run_test` for what is raised)."""
        self.run_test(number)
        self._records.say_of_run_test(number, added, now_ms=self.now_ms())
        return self.run_test(number)

    def test_before(self, test: RunTestRecord) -> RunTestRecord | None:
        """Return the unit's last concluded test of the same kind before one, valid if there is such a one."""
        earlier = [
            each
            for each in self._records.run_tests(units={test.unit})
            if each.id < test.id and each.kind == test.kind and each.concluded is not None and each.result
        ]
        valid = [each for each in earlier if each.result and each.result.verdict != "not_valid"]
        return next(iter(valid or earlier), None)
