"""Which sample numbers of one boot are held: runs without a gap, and when their ends were measured."""

from bisect import bisect_right
from dataclasses import dataclass, replace


@dataclass(slots=True)
class Run:
    """Numbers held without a gap, both ends inclusive, and the times of its lowest and highest sample.

    Numbers declared missing are held but have no time; a time that may still be corrected comes with
    the unit's uptime, by which it is.
    """

    first: int
    last: int
    first_ms: int | None = None
    last_ms: int | None = None
    first_up_ms: int | None = None
    last_up_ms: int | None = None

    @property
    def is_dated(self) -> bool:
        """Whether any sample of the run has a time, or may come to have one."""
        return self.first_ms is not None or self.first_up_ms is not None

    def joined(self, later: "Run") -> "Run":
        """Return this run and a higher one (or one inside it) as one run."""
        low = self if self.is_dated else later
        high = later if later.is_dated and later.last > self.last else self
        high = high if high.is_dated else later
        return Run(
            self.first,
            max(self.last, later.last),
            low.first_ms,
            high.last_ms,
            low.first_up_ms,
            high.last_up_ms,
        )


class Held:
    """The set of held numbers of one boot, kept small because units mostly count upwards."""

    __slots__ = ("_changed", "_gone", "_runs", "_starts")

    def __init__(self, runs: list[Run] | None = None) -> None:
        """Start with what is already written down, in order."""
        self._runs: list[Run] = runs or []
        self._starts = [run.first for run in self._runs]
        self._changed: dict[int, Run] = {}
        self._gone: set[int] = set()

    @property
    def mark(self) -> int:
        """The highest number held without a gap from 0, -1 when 0 is missing."""
        return self._runs[0].last if self._runs and self._runs[0].first == 0 else -1

    @property
    def newest(self) -> int:
        """The highest number held, -1 when none is."""
        return self._runs[-1].last if self._runs else -1

    def holds(self, sq: int) -> bool:
        """Return whether a number is held."""
        run = self.run_at(sq)
        return run is not None

    def run_at(self, sq: int) -> Run | None:
        """Return the run a number is in."""
        if not self._runs or sq > self._runs[-1].last:
            return None
        place = bisect_right(self._starts, sq) - 1
        return self._runs[place] if place >= 0 and sq <= self._runs[place].last else None

    def add(self, first: int, last: int, t_ms: int | None = None, up_ms: int | None = None) -> None:
        """Hold every number from `first` to `last`, both inclusive, measured at a time if at any."""
        end = self._runs[-1] if self._runs else None
        if end is not None and first == end.last + 1:  # nearly always
            end.last = last
            if t_ms is not None or up_ms is not None:
                end.last_ms, end.last_up_ms = t_ms, up_ms
                if not end.is_dated:
                    end.first_ms, end.first_up_ms = t_ms, up_ms
            self._changed[end.first] = end
            return
        low = bisect_right(self._starts, first)
        if low and self._runs[low - 1].last >= first - 1:
            low -= 1
        high = bisect_right(self._starts, last + 1)
        pieces = [*self._runs[low:high], Run(first, last, t_ms, t_ms, up_ms, up_ms)]
        pieces.sort(key=lambda run: run.first)  # stable: what was held before leads
        whole = pieces[0]
        for piece in pieces[1:]:
            whole = whole.joined(piece)
        for run in self._runs[low:high]:
            self._changed.pop(run.first, None)
            self._gone.add(run.first)
        self._runs[low:high] = [whole]
        self._starts[low:high] = [whole.first]
        self._changed[whole.first] = whole

    def around(self, first: int, last: int) -> tuple[int | None, int | None]:
        """Return when the samples before and after a stretch were measured; if unsure, earlier or later."""
        before = [run for run in self._runs if run.first < first and run.first_ms is not None]
        after = [run for run in self._runs if run.last > last and run.last_ms is not None]
        before_ms = after_ms = None
        if before:
            before_ms = before[-1].last_ms if before[-1].last < first else before[-1].first_ms
        if after:
            after_ms = after[0].first_ms if after[0].first > last else after[0].last_ms
        return before_ms, after_ms

    def start_at(self, start_ms: int) -> None:
        """Correct the times that were waiting for the start of the boot to become known."""
        for run in self._runs:
            if run.first_up_ms is not None:
                run.first_ms = start_ms + run.first_up_ms
                self._changed[run.first] = run
            if run.last_up_ms is not None:
                run.last_ms = start_ms + run.last_up_ms
                self._changed[run.first] = run

    def gaps(self) -> list[tuple[int, int]]:
        """Return the stretches missing below the newest number, both ends inclusive."""
        missing = []
        after = -1
        for run in self._runs:
            if run.first > after + 1:
                missing.append((after + 1, run.first - 1))
            after = run.last
        return missing

    def take_changes(self) -> tuple[set[int], list[Run]]:
        """Return the first numbers of runs that are no more, and the runs to write down, once."""
        changed = [replace(run) for run in self._changed.values()]
        gone = self._gone - self._changed.keys()
        self._changed, self._gone = {}, set()
        return gone, changed
