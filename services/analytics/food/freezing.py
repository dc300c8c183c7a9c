"""Food in a freezer, modelled from the air as lags that grow where ice melts."""

import math
from dataclasses import dataclass, replace

import numpy as np

from services.analytics.food.enthalpy import BEEF_SELECT, LEAN_BEEF, Slownesses
from services.analytics.food.lags import LONG_PAIR_MS, Memory, block_starts, follow
from services.telemetry import FloatArray, IntArray
from services.timebase import MINUTE_MS

FATTY_UP_TO_MS = 95.0 * MINUTE_MS
"""Thin pieces are taken as fatty beef, which thaws soonest (little water), thick ones as lean beef, which
freezes last (much water): the two ends of what may lie in a freezer (this project's choice)."""
FATTY, LEAN = Slownesses.of(BEEF_SELECT), Slownesses.of(LEAN_BEEF)
MOST_PIECES = 64
HALVINGS = 50
FINE_MS = 2 * MINUTE_MS
"""Between samples further apart the model is asked at points this close, since straight lines join them."""
FEWEST_BLOCKS, MOST_BLOCKS = 1, 512


@dataclass(frozen=True, slots=True)
class Frozen:
    """Foods of one freezer: each lag with the pieces its food is made of."""

    lags: FloatArray
    """Of the thawed foods. [ms]"""
    joints_c: tuple[tuple[float, ...], ...]
    """Per lag, with an open end on either side. [°C]"""
    taus: tuple[tuple[float, ...], ...]
    """Per lag and piece. [ms]"""

    @staticmethod
    def of(lags: FloatArray) -> "Frozen":
        """Return the foods that have these lags once thawed."""
        pieces = [FATTY if lag <= FATTY_UP_TO_MS else LEAN for lag in lags.tolist()]
        return Frozen(
            lags,
            tuple((-math.inf, *p.joints_c, math.inf) for p in pieces),
            tuple(tuple(lag * r for r in p.ratio) for lag, p in zip(lags.tolist(), pieces, strict=True)),
        )

    def pieces_at(self, food_c: FloatArray) -> tuple[int, ...]:
        """Return in which piece each food is."""
        return tuple(
            _piece(joints, value) for joints, value in zip(self.joints_c, food_c.tolist(), strict=True)
        )


def _piece(joints: tuple[float, ...], value_c: float) -> int:
    piece = 0
    while value_c >= joints[piece + 1]:
        piece += 1
    return piece


def follow_frozen(
    t_ms: IntArray, air_c: FloatArray, *, foods: Frozen, memory: Memory
) -> tuple[FloatArray, Memory]:
    """Return the temperature of foods that freeze and thaw as they follow the air.

    As long as every food stays within one piece of its content curve the model is a plain lag, worked
    out by `follow` for many blocks at once; from the first pair that leaves a piece to the end of its
    block it is stepped, each piece with its exact solution. What is stepped depends on the past only,
    so a stream cut anywhere gives the very same numbers as one batch.

    Parameters
    ----------
    t_ms : (n,) int64
        Times, strictly increasing; the first is the sample the memory stands at. [ms since 1970-01-01 UTC]
    air_c : (n,) float64
        Air around the food, finite. [°C]
    foods : Frozen
        The foods.
    memory : Memory
        Where they stand at the first sample.

    Returns
    -------
    (m, n) float64
        Food temperature of each lag at each sample. [°C]
    Memory
        Where they stand at the last one.

    References
    ----------
    .. [1] Heat content after Chen (see `enthalpy.enthalpy_kj_per_kg`); one temperature per piece of food,
       as in every lag here: the centre of a thick piece thaws later than this.
    """
    food = np.empty((foods.lags.size, t_ms.size))
    food[:, 0] = memory.now_c
    last = t_ms.size - 1
    if not last:
        return food, memory
    starts = block_starts(t_ms, pairs=memory.pairs, after_long=memory.after_long)
    edges = np.append(starts, last)
    begun = memory.pairs
    at, width, stepped = 0, FEWEST_BLOCKS, memory.stepped
    while at < last:
        following = int(np.searchsorted(edges, at, side="right"))
        if following and edges[following - 1] == at:
            memory, stepped = replace(Memory.at(food[:, at]), pieces=foods.pieces_at(food[:, at])), False
        if not stepped:
            stop = int(edges[min(following + width - 1, edges.size - 1)])
            memory, at = _run(t_ms, air_c, at, stop, foods=foods, memory=memory, food=food)
            stepped, width = at < stop, min(2 * width, MOST_BLOCKS)
        if stepped:
            stop = int(edges[np.searchsorted(edges, at, side="right")])
            food[:, at + 1 : stop + 1] = _stepped(t_ms, air_c, at, stop, food_c=food[:, at], foods=foods)
            at, width = stop, FEWEST_BLOCKS
    if stepped:
        whole = starts[starts < last]
        pairs = last - int(whole[-1]) if whole.size else begun + last
        long = bool(t_ms[last] - t_ms[last - 1] > LONG_PAIR_MS)
        memory = replace(Memory.at(food[:, last]), pairs=pairs, after_long=long, stepped=True)
    return food, memory


def _run(
    t_ms: IntArray,
    air_c: FloatArray,
    at: int,
    stop: int,
    *,
    foods: Frozen,
    memory: Memory,
    food: FloatArray,
) -> tuple[Memory, int]:
    """Fill in some blocks as plain lags up to the first pair that leaves a piece; returns how far."""
    pieces = memory.pieces
    lags = np.array([taus[p] for taus, p in zip(foods.taus, pieces, strict=True)])
    low = np.array([joints[p] for joints, p in zip(foods.joints_c, pieces, strict=True)])
    high = np.array([joints[p + 1] for joints, p in zip(foods.joints_c, pieces, strict=True)])
    found, after = follow(t_ms[at : stop + 1], air_c[at : stop + 1], lags=lags, memory=memory)
    left = np.asarray(((found < low[:, None]) | (found >= high[:, None])).any(axis=0))[1:]
    good = int(np.argmax(left)) if left.any() else stop - at
    food[:, at + 1 : at + good + 1] = found[:, 1 : good + 1]
    return replace(after, pieces=pieces), at + good


def _stepped(
    t_ms: IntArray, air_c: FloatArray, at: int, stop: int, *, food_c: FloatArray, foods: Frozen
) -> FloatArray:
    """Return the foods after each pair of ``[at, stop)``, pair by pair and piece by piece."""
    now = food_c.tolist()
    times, air = t_ms[at : stop + 1].tolist(), air_c[at : stop + 1].tolist()
    rows = []
    for k in range(stop - at):
        span = float(times[k + 1] - times[k])
        slope = (air[k + 1] - air[k]) / span
        now = [
            _after(value, air[k], slope, span, joints=joints, taus=taus)
            for value, joints, taus in zip(now, foods.joints_c, foods.taus, strict=True)
        ]
        rows.append(now)
    return np.array(rows).T


def _after(
    food_c: float,
    air_c: float,
    slope: float,
    span: float,
    *,
    joints: tuple[float, ...],
    taus: tuple[float, ...],
) -> float:
    """Return one food after one pair; air is a straight line from `air_c` on.

    Whether food warms or cools depends on the air alone, so it never turns back at a joint.
    """
    piece = _piece(joints, food_c)
    if food_c == joints[piece] and air_c < food_c:
        piece -= 1
    for _ in range(MOST_PIECES):
        tau = taus[piece]
        swing = food_c - air_c + slope * tau
        end = air_c + slope * (span - tau) + swing * math.exp(-span / tau)
        if joints[piece] <= end <= joints[piece + 1]:
            return end
        rises = end > joints[piece + 1]
        joint = joints[piece + 1] if rises else joints[piece]
        low, high = 0.0, span
        for _ in range(HALVINGS):
            middle = (low + high) / 2
            value = air_c + slope * (middle - tau) + swing * math.exp(-middle / tau)
            if (value > joint) == rises:
                high = middle
            else:
                low = middle
        food_c, air_c, span = joint, air_c + slope * high, span - high
        piece += 1 if rises else -1
        if span <= 0.0:
            return food_c
    return food_c


def finer(t_ms: IntArray, air_c: FloatArray, *, gap_ms: float) -> tuple[IntArray, FloatArray]:
    """Return samples with points on the line between them wherever a pair is known, and long."""
    spacing = np.diff(t_ms)
    parts = np.where(spacing <= min(gap_ms, float(LONG_PAIR_MS)), -(-spacing // FINE_MS), 1)
    if not (parts > 1).any():
        return t_ms, air_c
    begin = np.concatenate((np.zeros(1, dtype=np.int64), np.cumsum(parts)))
    pair = np.repeat(np.arange(parts.size), parts)
    inside = np.arange(pair.size) - begin[pair]
    times = np.append(t_ms[pair] + spacing[pair] * inside // parts[pair], t_ms[-1])
    air = np.append(air_c[pair] + np.diff(air_c)[pair] * (inside / parts[pair]), air_c[-1])
    return times, air
