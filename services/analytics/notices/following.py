"""From what there is to tell to what changes: delays, what comes back, what is folded, and floods.

Pure: what was told is given, what becomes of it is returned. Only one thing is remembered from look to look,
since when a cause is seen that is not told yet, and since when one that is told is gone (`Waits`).
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from services.analytics.notices.kinds import (
    DELAYS,
    FLOOD_KEY,
    FLOOD_OVER,
    FLOOD_WITHIN_MS,
    QUIET_AFTER_MS,
    RECURS_AFTER,
    RECURS_WITHIN_MS,
    TOLD_AGAIN_MS,
)
from services.domain import BEGINS, DECIDED, Notice, NoticeChange, Told
from services.domain.noticerates import CALLS
from services.timebase import MINUTE_MS

UNLOOKED_MS = 10 * MINUTE_MS
"""After a pause this long nobody knows whether a cause was there all the time, and silence begins anew."""

Passed = Callable[[Notice], str]


@dataclass(slots=True)
class Waits:
    """Since when causes are seen, and gone, that were not told as such yet [ms]."""

    seen: dict[str, int] = field(default_factory=dict)
    gone: dict[str, int] = field(default_factory=dict)
    begun_ms: int = 0
    """Since when anybody looks: before that nothing could be heard."""

    def to_json(self, now_ms: int) -> str:
        """Return them as they are kept for a monitor that starts again."""
        return json.dumps(
            {"seen": self.seen, "gone": self.gone, "begun_ms": self.begun_ms, "looked_ms": now_ms}
        )

    @staticmethod
    def from_json(body: str | None, now_ms: int) -> "Waits":
        """Return what goes on: what was seen only if somebody looked until a moment ago."""
        kept = None if body is None else json.loads(body)
        if kept is None or kept["looked_ms"] > now_ms:
            return Waits(begun_ms=now_ms)
        if now_ms - kept["looked_ms"] > UNLOOKED_MS:
            return Waits(gone=kept["gone"], begun_ms=now_ms)
        return Waits(kept["seen"], kept["gone"], kept["begun_ms"])


@dataclass(frozen=True, slots=True)
class Decided:
    """What becomes of everything at one look."""

    changes: tuple[NoticeChange, ...]
    shown: tuple[Told, ...]
    """What stands on as it was told, in the words of now."""


def decide(
    wanted: Sequence[Told],
    kept: Mapping[str, Notice],
    waits: Waits,
    *,
    now_ms: int,
    raised_ms: Sequence[int] = (),
    passed: Passed = lambda _: "",
) -> Decided:
    """Return what becomes of causes at one look.

    Parameters
    ----------
    wanted : sequence of Told
        What there is to tell, each cause once.
    kept : mapping of str to Notice
        By cause: notices that are not over, and those over for less than `LOOK_BACK_MS`.
    waits : Waits
        Carried from look to look, changed in place.
    now_ms : int
        The moment.
    raised_ms : sequence of int
        When notices were told within the last ten minutes, for floods.
    passed : callable
        What is told of a notice as it passes.
    """
    there = {told.cause_key: told for told in wanted}
    held = _held_by_parents(there, kept)
    _forget(waits, there, held)
    changes: list[NoticeChange] = []
    shown: list[Told] = []
    new: list[NoticeChange] = []
    for key, told in there.items():
        notice = kept.get(key)
        if notice is not None and notice.active:
            waits.gone.pop(key, None)
            changes += _goes_on(notice, told, now_ms)
            shown.append(told)
        elif key not in held and not _is_quiet(told, notice, now_ms) and _is_due(told, waits, now_ms):
            change = _told_anew(told, notice, now_ms)
            (changes if change.kind == "still" else new).append(change)
            waits.seen.pop(key, None)
    changes += _left(there, new, kept, waits, now_ms=now_ms, passed=passed)
    return Decided((*changes, *_in_flood(new, raised_ms, now_ms)), tuple(shown))


def _held_by_parents(there: Mapping[str, Told], kept: Mapping[str, Notice]) -> frozenset[str]:
    """Return keys that a notice still tells of although it is about to pass."""
    passing = (n for key, n in kept.items() if key not in there and n.active)
    return frozenset(key for notice in passing for key in notice.folded)


def _forget(waits: Waits, there: Mapping[str, Told], held: frozenset[str]) -> None:
    for key in [key for key in waits.seen if key not in there or key in held]:
        del waits.seen[key]


def _is_due(told: Told, waits: Waits, now_ms: int) -> bool:
    """Return whether a cause was there for long enough, by its own time or by what was seen of it."""
    first_ms = min(waits.seen.setdefault(told.cause_key, now_ms), told.since)
    if told.kind == "silence":
        first_ms = max(told.since, waits.begun_ms)
    return now_ms - first_ms >= DELAYS[told.kind].on_ms


def _is_quiet(told: Told, notice: Notice | None, now_ms: int) -> bool:
    """Return whether a cause of a kind that wavers passed lately, and is no worse than it was."""
    quiet_ms = QUIET_AFTER_MS.get(told.kind)
    if quiet_ms is None or notice is None or not notice.returns or now_ms - notice.returns[-1] >= quiet_ms:
        return False
    return told.level <= _worst_of(notice)


def _worst_of(notice: Notice) -> int:
    """Return how far a notice went since it was told last."""
    begun = max(k for k, line in enumerate(notice.lines) if line.kind in BEGINS)
    return max(line.level for line in notice.lines[begun:])


def _is_again(told: Told, notice: Notice, now_ms: int) -> bool:
    """Return whether it is time to tell what goes on again; most is told once, however long it stands."""
    after_ms = TOLD_AGAIN_MS.get(told.what_to_do)
    if after_ms is None:
        return False
    return now_ms - max(line.at for line in notice.lines if line.kind in CALLS) >= after_ms


def _told_anew(told: Told, notice: Notice | None, now_ms: int) -> NoticeChange:
    goes_on = notice is not None and told.what_to_do in TOLD_AGAIN_MS
    if goes_on and notice is not None and not _is_again(told, notice, now_ms):
        return NoticeChange("still", told.cause_key, told)
    if notice is None or (notice.ended is not None and now_ms - notice.ended > RECURS_WITHIN_MS):
        return NoticeChange("raised", told.cause_key, told)
    lately = [at_ms for at_ms in notice.returns if now_ms - at_ms <= RECURS_WITHIN_MS]
    return NoticeChange("recurs" if len(lately) >= RECURS_AFTER else "again", told.cause_key, told)


def _goes_on(notice: Notice, told: Told, now_ms: int) -> list[NoticeChange]:
    """Return what becomes of a notice whose cause is still there."""
    if told.level > _worst_of(notice):
        return [NoticeChange("worse", told.cause_key, told)]
    if _is_again(told, notice, now_ms):
        return [NoticeChange("again", told.cause_key, told)]
    if notice.shelved_until is not None and notice.shelved_until <= now_ms:
        return [NoticeChange("shelf_ended", told.cause_key)]
    return []


def _left(
    there: Mapping[str, Told],
    new: Sequence[NoticeChange],
    kept: Mapping[str, Notice],
    waits: Waits,
    *,
    now_ms: int,
    passed: Passed,
) -> list[NoticeChange]:
    """Return what becomes of notices whose cause is gone, or told by another notice now."""
    standing = {key for key in there if key in kept and kept[key].active}
    telling = standing | {change.cause_key for change in new}
    into = {child: key for key in telling for child in there[key].folded}
    found = []
    for key, notice in kept.items():
        if key in there or not notice.active:
            continue
        if key in into:
            found.append(NoticeChange("folded", key, why=into[key]))
            waits.gone.pop(key, None)
            continue
        if any(key in told.folded for told in there.values()):
            continue  # what it is folded into waits for its own delay: until then this one stands
        gone_ms = waits.gone.setdefault(key, now_ms)
        quiet_ms = RECURS_WITHIN_MS if notice.recurs else DELAYS[notice.kind].off_ms
        if now_ms - gone_ms >= quiet_ms:
            del waits.gone[key]
            found.append(NoticeChange("returned", key, why=_ended_by(notice, passed)))
    for key in [key for key in waits.gone if key not in kept]:
        del waits.gone[key]
    return found


def _ended_by(notice: Notice, passed: Passed) -> str:
    """Return what makes a return one that somebody has seen: a hold ends by a signed decision only."""
    return DECIDED if notice.kind == "hold" else passed(notice)


def _in_flood(new: Sequence[NoticeChange], raised_ms: Sequence[int], now_ms: int) -> list[NoticeChange]:
    """Return what is told anew; what is too much for anybody is kept back and counted, never what is high."""
    lately = sum(1 for at_ms in raised_ms if 0 <= now_ms - at_ms < FLOOD_WITHIN_MS)
    found = []
    order = sorted(new, key=lambda c: (-1 if c.told is None else -c.told.rank, c.cause_key))
    for number, change in enumerate(order, start=lately + 1):
        urgent = change.cause_key == FLOOD_KEY or (change.told is not None and change.told.priority == "high")
        back = number > FLOOD_OVER and not urgent
        found.append(NoticeChange(change.kind, change.cause_key, change.told, change.why, kept_back=back))
    return found
