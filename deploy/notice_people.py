"""Made-up people of a back-test of notices: they take what is told, and decide about food on hold."""

from services.domain import Notice, NoticeSaid, Person, UnitCard, Verdict
from services.domain.noticerates import CALLS
from services.records.facade import Records
from services.timebase import HOUR_MS, MINUTE_MS, Span

COOK = Person(name="Made-up cook", role="cook")
TAKEN_AFTER_MS = 30 * MINUTE_MS
DECIDED_AFTER_MS = 2 * HOUR_MS
"""How long somebody takes to see a notice, and to decide about food (judgement)."""


class People:
    """Answer notices as time passes, as patiently as anybody does."""

    def __init__(self, records: Records) -> None:
        """Answer what these records tell; the fleet they keep names the cook."""
        self._records = records
        self._empty_ms: dict[str, int] = {}
        self.rested: list[tuple[str, Span]] = []
        """Units that were said to be empty, each with from when to when."""

    def step(self, now_ms: int) -> None:
        """Do what is due at a moment."""
        for unit in tuple(self._empty_ms):
            self._use_again(unit, now_ms)
        for notice in self._records.notices(now_ms=now_ms):
            begun_ms = max((line.at for line in notice.lines if not line.who), default=notice.told)
            if notice.kind == "hold" and notice.active and now_ms - begun_ms >= DECIDED_AFTER_MS:
                self._decide(notice, now_ms)
            elif notice.state in {"new", "returned"} and now_ms - begun_ms >= TAKEN_AFTER_MS:
                self._records.say_of_notice(
                    notice.id, NoticeSaid(person=COOK.name, kind="acknowledged"), now_ms=now_ms
                )

    def end(self, now_ms: int) -> None:
        """Close what is open as a run ends."""
        self.rested += [(unit, Span(begun_ms, now_ms + 1)) for unit, begun_ms in self._empty_ms.items()]

    def _decide(self, notice: Notice, now_ms: int) -> None:
        card = None if notice.unit is None else self._records.card(notice.unit)
        if card is None or card.standing.rank < Verdict.HOLD.rank:
            return
        if notice.what_to_do == "say_empty":
            self._say_empty(notice, card.unit, now_ms)
            return
        probe_c = _probed_c(card)
        gone = card.standing is Verdict.DISCARD_ADVISED or probe_c > card.limit_c
        self._records.release_hold(
            card.unit,
            who=COOK.name,
            probe_c=probe_c,
            disposition="discarded" if gone else "kept",
            reason="decided by the air of that moment",
            now_ms=now_ms,
        )

    def _say_empty(self, notice: Notice, unit: str, now_ms: int) -> None:
        """Say what the notice asks for, once it was told: what only goes on asks nobody."""
        newest = next(line for line in reversed(notice.lines) if not line.who)
        if newest.kind in CALLS and unit not in self._empty_ms:
            self._records.say_unit_state(unit, "empty", COOK.name, now_ms)
            self._empty_ms[unit] = now_ms

    def _use_again(self, unit: str, now_ms: int) -> None:
        """Put food into a cabinet that was said to be empty, once it is cold."""
        card = self._records.card(unit)
        if card is not None and card.state == "empty" and _probed_c(card) < card.limit_c:
            self._records.say_unit_state(unit, "in_use", COOK.name, now_ms)
            self.rested.append((unit, Span(self._empty_ms.pop(unit), now_ms)))


def _probed_c(card: UnitCard) -> float:
    """Return what a probe is taken to show: the newest air; where there is none, the limit."""
    return float(card.latest.get("cabinet_c", card.limit_c))
