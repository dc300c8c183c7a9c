"""What run tests need of the records; the facade in services.records is the real one."""

from collections.abc import Collection, Sequence
from typing import Protocol

from services.domain import RunTestAdded, RunTestBegun, RunTestRecord


class RunTestBook(Protocol):
    """Tests of units, as far as the pages and the API go."""

    def begin_run_test(self, begun: RunTestBegun, *, now_ms: int) -> int:
        """Write down that a person begins a test, and return its number."""

    def say_of_run_test(self, number: int, added: RunTestAdded, *, now_ms: int) -> None:
        """Write down something said of a test that runs."""

    def run_tests(
        self,
        *,
        units: Collection[str] | None = None,
        job: int | None = None,
        running: bool = False,
        limit: int = 200,
    ) -> Sequence[RunTestRecord]:
        """Return tests, the newest first."""

    def run_test(self, number: int) -> RunTestRecord | None:
        """Return one test."""
