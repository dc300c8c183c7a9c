"""How many notices whom reach, beside what published standards call bearable."""

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Literal

from services.domain._frozen import Frozen
from services.domain._notices import (
    PRIORITIES,
    Notice,
    NoticeKind,
    NoticeMove,
    NoticePriority,
    NoticeRole,
)
from services.domain._reasoned import Instant
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS

CALLS = frozenset({"raised", "again", "recurs", "worse"})
"""Lines that ask for somebody's attention."""
_OF_A_PLACE = {"cook"}
"""Roles there is one of at each place; the others look after every place."""
STALE_MS = DAY_MS
"""A notice that stands for longer is stale: it needs another remedy than being told (judgement)."""
_OFFENDERS = 10
_FLOOD_OVER, _FLOOD_MS = 10, 10 * MINUTE_MS

Measure = Literal["per_hour", "per_day", "busiest_hour", "flood_share", "high", "medium", "low"]


class Target(Frozen):
    """What a standard calls bearable."""

    measure: Measure
    most: float
    source: str


_RATES = "ANSI/ISA-18.2-2016 and IEC 62682, from memory"
_SHARES = "EEMUA 191 figures as tabled in the trade paper Measuring alarm system effectiveness, part 1"
TARGETS: tuple[Target, ...] = (
    Target(measure="per_hour", most=6.0, source=_RATES),
    Target(measure="per_day", most=144.0, source=_RATES),
    Target(measure="busiest_hour", most=12.0, source=_RATES),
    Target(measure="flood_share", most=0.01, source=_RATES),
    Target(measure="high", most=0.05, source=_SHARES),
    Target(measure="medium", most=0.15, source=_SHARES),
    Target(measure="low", most=0.80, source=_SHARES),
)
OWN_PER_HOUR = 1.0
"""Our own, tighter: one an hour and person on average, for nobody here sits before a screen (judgement)."""


class Reached(Frozen):
    """How many notices reach one person: a role, of a cook at one place."""

    who: NoticeRole
    site: str | None
    count: int
    per_day: float
    per_hour: float
    busiest_hour: int
    """The most in any clock hour."""


class Offender(Frozen):
    """A cause that was told often."""

    cause_key: str
    kind: NoticeKind
    notice: int
    """The newest of it."""
    count: int


class NoticeRates(Frozen):
    """What was told in a stretch of time, and whom it reached."""

    start: Instant
    end: Instant
    count: int
    kept_back: int
    """Of them counted in a flood, and not announced."""
    reached: tuple[Reached, ...]
    """The most burdened first."""
    shares: dict[NoticePriority, float]
    """Of all that was told; empty where nothing was."""
    flood_share: float
    """Of the time, in which more than ten came within ten minutes."""
    offenders: tuple[Offender, ...]
    stale: tuple[int, ...]
    """Notices that have stood for more than a day, the oldest first."""
    targets: tuple[Target, ...] = TARGETS


def rates_of(
    moves: Iterable[NoticeMove], standing: Iterable[Notice], *, start_ms: int, end_ms: int
) -> NoticeRates:
    """Return the rates of a stretch of time, from every line in it and what stands at its end."""
    told = [move for move in moves if move.move in CALLS and start_ms <= move.at < end_ms]
    count = len(told)
    by_priority = Counter(move.priority for move in told)
    stale = [n for n in standing if n.active and n.ended is None and end_ms - n.told > STALE_MS]
    return NoticeRates(
        start=start_ms,
        end=end_ms,
        count=count,
        kept_back=sum(move.kept_back for move in told),
        reached=_reached(told, (end_ms - start_ms) / DAY_MS),
        shares={each: by_priority[each] / count for each in PRIORITIES} if count else {},
        flood_share=_flood_ms([move.at for move in told]) / (end_ms - start_ms),
        offenders=_offenders(told),
        stale=tuple(notice.id for notice in sorted(stale, key=lambda n: n.told)),
    )


def _reached(told: Sequence[NoticeMove], days: float) -> tuple[Reached, ...]:
    people: dict[tuple[NoticeRole, str | None], list[int]] = {}
    for move in told:
        if not move.kept_back:
            people.setdefault((move.who, move.site if move.who in _OF_A_PLACE else None), []).append(move.at)
    found = [
        Reached(
            who=who,
            site=site,
            count=len(times),
            per_day=len(times) / days,
            per_hour=len(times) / (days * 24.0),
            busiest_hour=max(Counter(at // HOUR_MS for at in times).values()),
        )
        for (who, site), times in people.items()
    ]
    return tuple(sorted(found, key=lambda each: (-each.count, each.who, each.site or "")))


def _offenders(told: Sequence[NoticeMove]) -> tuple[Offender, ...]:
    count = Counter(move.cause_key for move in told)
    newest = {move.cause_key: move for move in told}
    return tuple(
        Offender(cause_key=key, kind=newest[key].kind, notice=newest[key].notice, count=times)
        for key, times in count.most_common(_OFFENDERS)
        if times > 1
    )


def _flood_ms(times: Sequence[int]) -> int:
    """Return for how long more than ten had come within the ten minutes before [ms]."""
    order = sorted(times)
    total = 0
    for k in range(_FLOOD_OVER, len(order)):
        lapses = order[k - _FLOOD_OVER] + _FLOOD_MS
        until = min(lapses, order[k + 1]) if k + 1 < len(order) else lapses
        total += max(0, until - order[k])
    return total
