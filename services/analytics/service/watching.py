"""Compares every followed number of a unit with its own baseline: which have moved, and since when."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from services.analytics.power.frame import BoolArray
from services.analytics.service.changes import RECENT, Baseline, Move, baseline_of, move_of
from services.analytics.service.signals import DOUBT_PER_K, FOLLOWED, FROST_SHARE, SEASON_K, Days, Followed
from services.analytics.service.signatures import Direction, SignalName
from services.domain import UnitSettings
from services.timebase import DAY_MS

LEARNED_DAYS = {"fridge": 21, "freezer": 35}
"""Days a baseline is learned from: of a freezer so many that frost has grown and been taken off once."""
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
    for followed in FOLLOWED:
        values = days.columns[followed.column]
        usable = days.fit & np.isfinite(values) & (days.day_ms >= from_ms)
        own, day_ms = values[usable], days.day_ms[usable]
        if own.size < learned + RECENT or day_ms[-1] < recent_ms:
            continue
        from_to = int(day_ms[0]), int(day_ms[learned - 1])
        if abs(float(np.median(own[-RECENT:])) - float(np.median(own[:learned]))) < followed.least:
            found.append(Seen(followed, None, *from_to, None, None))
            continue
        baseline = baseline_of(own[:learned], least_sd=followed.least_sd)
        doubt = _doubt(days, followed, usable, learned, freezer=settings.unit.kind == "freezer")
        move = move_of(own[learned:], baseline, least=followed.least, doubt=doubt, dated=dated)
        since_ms = None if move is None else int(day_ms[learned + move.since])
        found.append(Seen(followed, baseline, *from_to, move, since_ms))
    return found


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
