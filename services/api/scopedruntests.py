"""Run tests as one person sees them: those of their places, signed with their own name."""

from collections.abc import Callable, Collection, Sequence

from services.api.ports import BookOfRecords
from services.domain import RunTestAdded, RunTestBegun, RunTestRecord
from services.errors import Refused


class ScopedRunTests:
    """Tests of the cabinets that are seen."""

    _book: BookOfRecords
    _asked: Callable[[Collection[str] | None], Collection[str] | None]
    _sees: Callable[[str | None], bool]
    _require: Callable[[str | None, str], None]

    def begin_run_test(self, begun: RunTestBegun, *, now_ms: int) -> int:
        """Write down that a person begins a test, and return its number."""
        self._require(begun.unit, begun.person)
        return self._book.begin_run_test(begun, now_ms=now_ms)

    def say_of_run_test(self, number: int, added: RunTestAdded, *, now_ms: int) -> None:
        """Write down something said of a test that runs."""
        if self.run_test(number) is None:
            raise Refused(f"There is no test {number}.")
        self._require(None, added.person)
        self._book.say_of_run_test(number, added, now_ms=now_ms)

    def run_tests(
        self,
        *,
        units: Collection[str] | None = None,
        job: int | None = None,
        running: bool = False,
        limit: int = 200,
    ) -> Sequence[RunTestRecord]:
        """Return tests, the newest first."""
        return self._book.run_tests(units=self._asked(units), job=job, running=running, limit=limit)

    def run_test(self, number: int) -> RunTestRecord | None:
        """Return one test."""
        test = self._book.run_test(number)
        return None if test is None or not self._sees(test.unit) else test
