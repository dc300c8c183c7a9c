"""Getting missing samples back: gaps that stay open, and packs that cannot be read.

An unreadable pack does not say which samples it held, but a unit sends its oldest unconfirmed
sample first, so the one above the mark is in it. It is asked for again in ever smaller pieces
until the readable ones are in and a single sample remains, which is then declared missing.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from services.store import Skipped
from services.timebase import MINUTE_MS, SECOND_MS

GAP_PATIENCE_MS = 10 * MINUTE_MS
"""How long a gap may stay open before its samples are asked for (contract, section 5)."""
POISON_PATIENCE = 3
"""Unreadable packs from one unit, without progress, before it is asked in pieces."""
ANSWER_MS = 30 * SECOND_MS
"""How long an answer to a question may take before it is asked again."""
MOST_ASKED = 5
"""Questions about one piece before the search is given up until the next unreadable pack."""
PACK_SAMPLES = 60
"""Most samples in one pack."""


Boot = tuple[int, int, int]
"""A boot's number, its mark and its newest sample held."""


@dataclass(frozen=True, slots=True)
class Question:
    """A request to a unit to send a stretch of samples again, both ends inclusive."""

    unit: str
    bid: int
    from_sq: int
    to_sq: int
    correlation: bytes


@dataclass(frozen=True, slots=True)
class Missing:
    """A stretch that will not come any more."""

    unit: str
    skipped: Skipped


Step = Question | Missing


@dataclass(slots=True)
class _Search:
    """One unit being asked in pieces."""

    question: Question
    bad_to: int
    """The unreadable sample is known to be in ``[question.from_sq, bad_to]``."""
    asked_ms: int
    times: int = 1


@dataclass(slots=True)
class _Gap:
    """One open gap below a boot's newest sample."""

    place: tuple[int, int]
    since_ms: int
    asked_ms: int | None = None
    question: Question | None = None


class Repair:
    """Decides what to ask units for and what to declare missing; knows no clock and no network."""

    def __init__(self, new_correlation: Callable[[], bytes]) -> None:
        """Take the source of correlation data, 16 random bytes each."""
        self._new_correlation = new_correlation
        self._unreadable: dict[str, tuple[tuple[Boot, ...], int]] = {}
        self._turns: dict[str, int] = {}
        self._searches: dict[str, _Search] = {}
        self._gaps: dict[tuple[str, int], _Gap] = {}

    def unreadable(self, unit: str, *, resent: bool, boots: Sequence[Boot], now_ms: int) -> list[Step]:
        """Take note of an unreadable pack; `boots` are those it may be from, likeliest first."""
        question = self._asked_of(unit) if resent else None
        if question is not None:
            return self._narrow(question, now_ms)
        if not boots or unit in self._searches:
            return []
        before = self._unreadable.get(unit)
        times = 1 if before is None or before[0] != tuple(boots) else before[1] + 1
        self._unreadable[unit] = (tuple(boots), times)
        if times < POISON_PATIENCE:
            return []
        turn = self._turns[unit] = self._turns.get(unit, -1) + 1
        bid, mark, newest = boots[turn % len(boots)]
        last = mark + PACK_SAMPLES
        if newest > mark:
            last = min(last, newest - 1)
        return [self._ask(unit, bid, (mark + 1, last), last, now_ms)]

    def progress(self, unit: str, marks: Mapping[int, int], now_ms: int) -> list[Step]:
        """Take note that samples of a unit were stored."""
        search = self._searches.get(unit)
        if search is None:
            return []
        question = search.question
        mark = marks.get(question.bid, -1)
        if mark < question.to_sq:
            return []
        del self._searches[unit]
        if mark >= search.bad_to:
            return []
        middle = (mark + 1 + search.bad_to) // 2
        return [self._ask(unit, question.bid, (mark + 1, middle), search.bad_to, now_ms)]

    def searched(self) -> set[str]:
        """Return the units being asked in pieces."""
        return set(self._searches)

    def answered(
        self,
        unit: str,
        correlation: bytes,
        *,
        result: str,
        gone: Sequence[tuple[int, int, int]],
        newest: Mapping[int, int],
    ) -> list[Step]:
        """Take note of a unit's answer; `gone` are stretches (bid, from, to) it does not hold any more.

        Only numbers below the newest one held are declared missing: those above may yet be measured.
        """
        question = self._asked_of(unit)
        if question is None or question.correlation != correlation:
            return []
        for (owner, _), gap in self._gaps.items():
            if owner == unit and gap.question == question:
                gap.question = None
        if result == "gone":
            self._searches.pop(unit, None)
            gone = gone or [(question.bid, question.from_sq, question.to_sq)]
        below = newest.get(question.bid, -1) - 1
        steps: list[Step] = []
        for bid, from_sq, to_sq in gone:
            first, last = max(from_sq, question.from_sq), min(to_sq, question.to_sq, below)
            if bid == question.bid and first <= last:
                steps.append(Missing(unit, Skipped(bid, first, last, "gone")))
        return steps

    def look(self, gaps: Mapping[tuple[str, int], Sequence[tuple[int, int]]], now_ms: int) -> list[Step]:
        """Return what to ask now for gaps that stayed open and questions that stayed unanswered."""
        steps: list[Step] = []
        for key in [key for key in self._gaps if not gaps.get(key)]:
            del self._gaps[key]
        for (unit, bid), open_ones in gaps.items():
            if open_ones:
                steps += self._look_at_gap(unit, bid, open_ones[0], now_ms)
        for unit, search in list(self._searches.items()):
            if now_ms - search.asked_ms < ANSWER_MS:
                continue
            if search.times >= MOST_ASKED:
                del self._searches[unit]
                continue
            search.times += 1
            search.asked_ms = now_ms
            steps.append(search.question)
        return steps

    def _look_at_gap(self, unit: str, bid: int, place: tuple[int, int], now_ms: int) -> list[Step]:
        gap = self._gaps.get((unit, bid))
        if gap is None or gap.place != place:
            self._gaps[unit, bid] = _Gap(place, now_ms)
            return []
        since_ms = gap.since_ms if gap.asked_ms is None else gap.asked_ms
        if now_ms - since_ms < GAP_PATIENCE_MS or unit in self._searches:
            return []
        gap.asked_ms = now_ms
        gap.question = Question(unit, bid, *place, self._new_correlation())
        return [gap.question]

    def _asked_of(self, unit: str) -> Question | None:
        """Return the open question to a unit."""
        search = self._searches.get(unit)
        if search is not None:
            return search.question
        for (owner, _), gap in self._gaps.items():
            if owner == unit and gap.question is not None:
                return gap.question
        return None

    def _narrow(self, question: Question, now_ms: int) -> list[Step]:
        """Ask for the lower half; a single sample that cannot be read is given up."""
        self._searches.pop(question.unit, None)
        if question.from_sq == question.to_sq:
            self._unreadable.pop(question.unit, None)
            self._turns.pop(question.unit, None)
            lost = Skipped(question.bid, question.from_sq, question.from_sq, "unreadable")
            return [Missing(question.unit, lost)]
        middle = (question.from_sq + question.to_sq) // 2
        return [self._ask(question.unit, question.bid, (question.from_sq, middle), question.to_sq, now_ms)]

    def _ask(self, unit: str, bid: int, piece: tuple[int, int], bad_to: int, now_ms: int) -> Question:
        question = Question(unit, bid, *piece, self._new_correlation())
        self._searches[unit] = _Search(question, bad_to, now_ms)
        return question
