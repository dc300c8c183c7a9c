"""Compares every followed number of a unit with its own baseline: which have moved, and since when."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from services.analytics.power.frame import BoolArray
from services.analytics.service.changes import RECENT, Baseline, Move, baseline_of, move_of
from services.analytics.service.lately import PRESSING, lately
from services.analytics.service.signals import DOUBT_PER_K, FROST_SHARE, SEASON_K, Days, Followed, followed_of
from services.analytics.service.signatures import Direction, SignalName
from services.domain import UnitSettings
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS

LEARNED_DAYS = {"fridge": 21, "freezer": 35}
"""Days a baseline is learned from: of a freezer so many that frost has grown and been taken off once."""
SAME_AIR: tuple[SignalName, ...] = ("sag",)
"""Also compared with the first days of the same air: the correction to equal air hides small changes."""
SAME_AIR_K, SAME_AIR_DAYS, AGO_DAYS = 1.0, 21, 30
"""So near to the air of now, so many days of it, and so long ago at least (judgement)."""
SAME_AIR_SHARE = 0.5
"""Of the least change worth telling elsewhere: what the air does to it is out (judgement)."""
GONE_DAYS = 14
"""A number not told for so long says nothing of now."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One followed number against its baseline."""

    followed: Followed
    baseline: Baseline | None
    """None where it stands near its middle: nothing more was asked."""
    from_ms: int
    to_ms: int
    """First and last day of the baseline."""
    move: Move | None
    since_ms: int | None
    """First day after the change."""
    lately: bool = False
    """Against the weeks before, together with other numbers; else against its own first weeks."""
    presses: bool = True
    """Whether it may send anybody."""

    @property
    def direction(self) -> Direction:
        """Which way it went."""
        return "same" if self.move is None else "up" if self.move.up else "down"

    def told(self, value: float) -> float:
        """Return a compared value as a person reads it."""
        return float(np.exp(value)) if self.followed.share else value


def watch(days: Days, settings: UnitSettings, *, from_ms: int, dated: bool = True) -> list[Seen]:
    """Return every followed number that has a baseline and days after it.

    Parameters
    ----------
    days : Days
        Days before now.
    settings : UnitSettings
        A freezer's baseline is longer.
    from_ms : int
        Earlier days are of another machine, as it were. [ms]
    dated : bool
        As for `move_of`.
    """
    learned = LEARNED_DAYS[settings.unit.kind]
    found = []
    recent_ms = days.day_ms[-1] - GONE_DAYS * DAY_MS if days.day_ms.size else 0
    for followed in followed_of(settings):
        values = days.columns[followed.column]
        usable = days.fit & np.isfinite(values) & (days.day_ms >= from_ms)
        own, day_ms = values[usable], days.day_ms[usable]
        if own.size < learned + RECENT or day_ms[-1] < recent_ms:
            continue
        learned_ms = int(day_ms[0]), int(day_ms[learned - 1])
        seen = Seen(followed, None, *learned_ms, None, None)
        if abs(float(np.median(own[-RECENT:])) - float(np.median(own[:learned]))) >= followed.least:
            baseline = baseline_of(own[:learned], least_sd=followed.least_sd)
            doubt = _doubt(days, followed, usable, learned, freezer=settings.unit.kind == "freezer")
            move = move_of(own[learned:], baseline, least=followed.least, doubt=doubt, dated=dated)
            since_ms = None if move is None else int(day_ms[learned + move.since])
            seen = Seen(followed, baseline, *learned_ms, move, since_ms)
        if seen.move is None and followed.name in SAME_AIR:
            seen = _by_same_air(followed, own, day_ms, days.air_c[usable], dated=dated) or seen
        found.append(seen)
    return _with_lately(found, days, from_ms) if found else found


def _with_lately(found: Sequence[Seen], days: Days, from_ms: int) -> list[Seen]:
    """Return the same, where nothing had moved with what has against the weeks before."""
    late = {one.followed: one for one in lately(days, [seen.followed for seen in found], from_ms=from_ms)}
    presses = sum(one.weight for one in late.values()) >= PRESSING
    return [
        Seen(
            one.followed,
            one.move.baseline,
            one.from_ms,
            one.to_ms,
            one.move,
            one.since_ms,
            lately=True,
            presses=presses,
        )
        if seen.move is None and (one := late.get(seen.followed)) is not None
        else seen
        for seen in found
    ]


def _by_same_air(
    followed: Followed, own: FloatArray, day_ms: IntArray, air_c: FloatArray, *, dated: bool
) -> Seen | None:
    """Return a number that has left where it first was in air like that of now; None where it has not."""
    now = day_ms > day_ms[-1] - AGO_DAYS * DAY_MS
    like = np.flatnonzero(~now & (np.abs(air_c - np.median(air_c[-RECENT:])) <= SAME_AIR_K))[:SAME_AIR_DAYS]
    least = SAME_AIR_SHARE * followed.least
    if like.size < SAME_AIR_DAYS or abs(float(np.median(own[-RECENT:]) - np.median(own[like]))) < least:
        return None
    baseline = baseline_of(own[like], least_sd=followed.least_sd)
    move = move_of(own[now], baseline, least=least, dated=dated)
    if move is None:
        return None
    from_to = int(day_ms[like[0]]), int(day_ms[like[-1]])
    return Seen(followed, baseline, *from_to, move, int(day_ms[now][move.since]))


def _doubt(days: Days, followed: Followed, usable: BoolArray, learned: int, *, freezer: bool) -> float:
    """Return how far off a number may be by other air than in its baseline, and by frost."""
    air_c = days.air_c[usable]
    before, now = air_c[:learned], air_c[-RECENT:]
    per_k = DOUBT_PER_K.get(followed.name, 0.0)
    known = np.isfinite(before).any() and np.isfinite(now).any()
    apart_k = abs(float(np.nanmedian(now)) - float(np.nanmedian(before))) if known else SEASON_K
    return per_k * apart_k + (FROST_SHARE if freezer and followed.name == "cools" else 0.0)


def directions(seen: Sequence[Seen]) -> dict[SignalName, Direction]:
    """Return which way each signal went, "same" where all its numbers stand; missing where not followed."""
    found: dict[SignalName, Direction] = {}
    strongest: dict[SignalName, float] = {}
    for each in seen:
        weight = 0.0 if each.move is None else abs(each.move.by) / each.followed.least
        if weight >= strongest.get(each.followed.name, 0.0):
            found[each.followed.name] = each.direction
            strongest[each.followed.name] = weight
    return found
