"""Keeps notices: looks at every card now and then, and writes down what becomes of each cause."""

from collections import deque
from collections.abc import Callable, Collection, Mapping, Sequence

from services.analytics.notices.folding import folded
from services.analytics.notices.following import Waits, decide
from services.analytics.notices.kinds import FLOOD_WITHIN_MS, LOOK_BACK_MS
from services.analytics.notices.wanted import HouseTrouble, of_flood, passed_by, troubles
from services.domain import Fleet, Notice, Told, UnitCard
from services.domain.noticerates import CALLS
from services.monitor.emptied import Emptied
from services.records.facade import Records
from services.timebase import MINUTE_MS, SECOND_MS

LOOK_EVERY_MS = 10 * SECOND_MS
STALE_MS = 5 * MINUTE_MS
"""A card that was not judged for longer says nothing new: what was told of its unit stands as it was."""
KEEP_EVERY_MS = 5 * MINUTE_MS


class Noticing:
    """Looks at all cards together, so that one cause is one notice."""

    def __init__(
        self, records: Records, house: Callable[[int], Sequence[HouseTrouble]] = lambda _now_ms: ()
    ) -> None:
        """Begin with what the records keep; `house` tells what the house itself cannot do at a moment."""
        self._records = records
        self._house = house
        self._waits = Waits()
        self._emptied = Emptied(records)
        self._looked_ms: int | None = None
        self._kept: tuple[dict[str, int], dict[str, int]] = ({}, {})
        self._kept_ms = 0
        self._told: deque[tuple[int, bool]] = deque()
        """When notices were told lately, and whether they were kept back."""

    def step(self, now_ms: int) -> int:
        """Look, where the time has come; return how many changes were written down."""
        if self._looked_ms is None:
            self._go_on(now_ms)
        elif 0 <= now_ms - self._looked_ms < LOOK_EVERY_MS:
            return 0
        self._looked_ms = now_ms
        found = self._records.notices(now_ms=now_ms, over_since_ms=now_ms - LOOK_BACK_MS)
        kept = {notice.cause_key: notice for notice in sorted(found, key=lambda n: n.id)}
        cards = self._records.cards()
        tested = {test.unit for test in self._records.run_tests(running=True)}
        wanted = self._wanted(cards, kept, tested, now_ms)
        decided = decide(
            wanted,
            kept,
            self._waits,
            now_ms=now_ms,
            raised_ms=[at_ms for at_ms, _ in self._told],
            passed=lambda notice: passed_by(notice, cards, tested),
        )
        shown = [told for told in decided.shown if _differs(kept[told.cause_key], told)]
        if decided.changes or shown:
            self._records.write_notices(decided.changes, shown, now_ms=now_ms)
        self._told.extend((now_ms, c.kept_back) for c in decided.changes if c.kind in CALLS)
        self._keep_waits(now_ms)
        return len(decided.changes)

    def _go_on(self, now_ms: int) -> None:
        """Go on with the delays and the flood of whoever looked before."""
        self._waits = Waits.from_json(self._records.notice_waits(), now_ms)
        lately = self._records.notice_moves(now_ms - FLOOD_WITHIN_MS, now_ms + 1)
        self._told.extend((move.at, move.kept_back) for move in lately if move.move in CALLS)

    def _keep_waits(self, now_ms: int) -> None:
        """Keep the delays that run: where they changed, and now and then while there are any."""
        running = (dict(self._waits.seen), dict(self._waits.gone))
        aged = any(running) and now_ms - self._kept_ms >= KEEP_EVERY_MS
        if running != self._kept or aged:
            self._records.keep_notice_waits(self._waits.to_json(now_ms))
            self._kept, self._kept_ms = running, now_ms

    def _wanted(
        self, cards: Sequence[UnitCard], kept: Mapping[str, Notice], tested: Collection[str], now_ms: int
    ) -> list[Told]:
        """Return what there is to tell now, each cause once."""
        fleet = self._records.fleet()
        told = {key for key, notice in kept.items() if notice.active}
        fresh = [card for card in cards if now_ms - card.as_of <= STALE_MS]
        emptied = self._emptied.since(fresh, kept, now_ms)
        found = troubles(
            fresh, self._house(now_ms), fleet, now_ms=now_ms, told=told, tested=tested, emptied=emptied
        )
        wanted = folded(found, lambda site: _in_use(fleet, site), told=told)
        known = {each.cause_key for each in wanted}
        stale = {card.unit for card in cards if now_ms - card.as_of > STALE_MS}
        unsaid = [n for key, n in kept.items() if n.active and key not in known]
        wanted += [_as_told(notice) for notice in unsaid if stale & set(notice.units)]
        while self._told and now_ms - self._told[0][0] >= FLOOD_WITHIN_MS:
            self._told.popleft()
        kept_back = sum(back for _, back in self._told)
        return [*wanted, of_flood(kept_back, now_ms)] if kept_back else wanted


def _in_use(fleet: Fleet, site: str) -> list[str]:
    return [unit.id for unit in fleet.units if unit.site == site and unit.state == "in_use"]


def _as_told(notice: Notice) -> Told:
    """Return what was told last."""
    return Told(**{name: getattr(notice, name) for name in Told.model_fields})


def _differs(before: Told, now: Told) -> bool:
    """Return whether a cause is told otherwise than before, the moment it began aside."""
    return any(getattr(before, name) != getattr(now, name) for name in Told.model_fields if name != "since")
