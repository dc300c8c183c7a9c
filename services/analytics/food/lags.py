"""Food modelled from cabinet air as first-order lags, and when any of them lies above a limit."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from services.analytics.food.exposure import Parts, gaps
from services.analytics.food.intervals import Intervals
from services.telemetry import FloatArray, IntArray
from services.timebase import MINUTE_MS

BoolArray = npt.NDArray[np.bool_]

LAGS_MIN = (10.0, 20.0, 45.0, 95.0, 180.0, 330.0, 600.0)
"""Time constants the clock is the union of, from a thin slice to a full chest (design decision
"verdicts"). 95 min is a 500 g test package in still air (derived: m c / (h A) with c 3.64 kJ/(kg·K),
A 0.04 m², h 8 W/(m²·K), the last one common practice, no source)."""
THIN_LAG_MIN = 10.0
DECLARED_LOAD_KG = 5.0
"""From this declared load on the 10 min lag is dropped.

τ = r c d / (2 h) for a slice of thickness d cooled from both sides: with r 1050 kg/m³, c 3640 J/(kg·K)
and h 8 W/(m²·K), 10 min is a lone slice 2.5 mm thin and 20 min one of 5 mm. Five kilograms of food lie
in packs; nothing in them is thinner than 5 mm with air on both sides (derived; h is common practice, no
source)."""
SPREAD_LOAD_KG = 60.0
SLOWEST_MIN = 600.0
SLOWEST_LARGE_MIN = 1000.0
"""Slowest lag where no piece was declared: 600 min (design decision "verdicts"), 1000 min in a chest that
holds 60 kg or more, where food lies many packs deep (judgement, no source)."""

FOOD_KG_PER_M3 = 1050.0
FOOD_J_PER_KG_K = 3640.0
FOOD_W_PER_M_K = 0.48
"""Lean meat, unfrozen: density after Choi and Okos, c as above, conductivity from memory."""
STILL_AIR_W_PER_M2_K = 5.0
"""The low end of still air with radiation, 5-10 (common practice, no source): the slow side."""

BLOCK_PAIRS = 32
"""Samples are worked through in blocks of this many, counted from the first, so that a stream cut
anywhere gives the very same numbers as one batch."""
LONG_PAIR_MS = 90 * MINUTE_MS
"""A pair longer than this is a block of its own; keeps exp() in range: 32 x 90 / 10 = 288 < 700."""
MOST_DECAY = 500.0
CHUNK_BLOCKS = 256
"""Blocks worked through at once: about 0.5 MB, which stays in a small processor's cache."""
ROUNDING_K = 1e-6
"""Readings are kept at a milli-kelvin; what lies this little above a limit is rounding."""
NEWTON_STEPS = 14


def slowest_lag_min(piece_kg: float) -> float:
    """Return the time constant at the core of a piece of food, were it a ball in still air.

    Parameters
    ----------
    piece_kg : float
        Mass of the piece. [kg]

    Returns
    -------
    float
        ``R² r c / (k z²)`` with z the first root of ``1 - z cot z = h R / k``: no shape has less surface
        than a ball, so none of that mass is slower as a whole. [min]

    References
    ----------
    .. [1] Conduction in a sphere cooled by convection, first term of the series; any text on heat
       conduction (from memory).
    """
    radius_m = (3.0 * piece_kg / FOOD_KG_PER_M3 / (4.0 * math.pi)) ** (1.0 / 3.0)
    biot = STILL_AIR_W_PER_M2_K * radius_m / FOOD_W_PER_M_K
    low, high = 1e-6, math.pi - 1e-9
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if 1.0 - middle / math.tan(middle) < biot else (low, middle)
    return float(radius_m**2) * FOOD_KG_PER_M3 * FOOD_J_PER_KG_K / FOOD_W_PER_M_K / low**2 / 60.0


def lags_for(piece_kg: float | None, *, load_kg: float | None = None) -> FloatArray:
    """Return the time constants of food of which the largest piece, or the whole load, was declared.

    Parameters
    ----------
    piece_kg : float or None
        The largest piece. [kg]
    load_kg : float or None
        All that lies in the unit. [kg]

    Returns
    -------
    (m,) float64
        Rising. A declared piece bounds the slow end, whatever it is: at most `slowest_lag_min` of it. Without
        one, no piece is larger than the load. The fast end stays: beside the largest piece lie
        smaller ones. [ms]
    """
    thin = load_kg is None or load_kg < DECLARED_LOAD_KG
    slowest = SLOWEST_LARGE_MIN if load_kg is not None and load_kg >= SPREAD_LOAD_KG else SLOWEST_MIN
    if piece_kg is not None:
        slowest = slowest_lag_min(piece_kg)
    elif load_kg is not None:
        slowest = min(slowest, slowest_lag_min(load_kg))
    faster = [lag for lag in LAGS_MIN if lag < slowest and (thin or lag > THIN_LAG_MIN)]
    return np.array([*faster, slowest]) * MINUTE_MS


def lags_ms(load_kg: float | None) -> FloatArray:
    """Return the time constants the verdict clock runs on, in ms."""
    return lags_for(None, load_kg=load_kg)


@dataclass(frozen=True, slots=True)
class Memory:
    """Where the foods stand within the newest block: all that one more sample needs."""

    start_c: FloatArray
    """Food where the block began, one per lag. [°C]"""
    span: FloatArray
    """Time since then, in lags: s of `follow`."""
    gathered: FloatArray
    """What the air has added since then: Σ c e^s of `follow`. [°C]"""
    pairs: int
    """Pairs of samples in the block so far."""
    after_long: bool
    """Whether the newest pair was too long to share a block."""
    pieces: tuple[int, ...] = ()
    """Food that freezes: which piece of its content curve each is in (see `freezing`)."""
    stepped: bool = False
    """Food that freezes: whether one left its piece within this block."""

    @staticmethod
    def at(start_c: FloatArray) -> "Memory":
        """Return the memory of foods that begin at a temperature."""
        return Memory(start_c, np.zeros(start_c.size), np.zeros(start_c.size), 0, after_long=False)

    @property
    def now_c(self) -> FloatArray:
        """Food at the newest sample, in °C."""
        return np.asarray((self.start_c + self.gathered) / np.exp(self.span))


def block_starts(t_ms: IntArray, *, pairs: int = 0, after_long: bool = False) -> IntArray:
    """Return with which pairs of samples a block begins; depends on the past only.

    `pairs` are already in the block the first sample stands in; `after_long` says that the pair
    before it was a block of its own.
    """
    long = t_ms[1:] - t_ms[:-1] > LONG_PAIR_MS
    index = np.arange(pairs, pairs + long.size)
    if after_long or long.any():
        hard = long.copy()
        hard[1:] |= long[:-1]
        hard[:1] |= after_long
        index -= np.maximum.accumulate(np.where(hard, index, 0))
    return np.asarray((index % BLOCK_PAIRS == 0).nonzero()[0], dtype=np.int64)


def follow(
    t_ms: IntArray, air_c: FloatArray, *, lags: FloatArray, memory: Memory
) -> tuple[FloatArray, Memory]:
    """Return the temperature of foods that follow the air with first-order lags, exactly.

    Between samples the air is a straight line, for which dT/dt = (T_air - T)/τ has the exact step
    ``T(h) = a T(0) + c``, ``c = x1 - a x0 - (x1 - x0) (1 - a)/u`` with ``u = h/τ``, ``a = e^-u``. The
    recursion is unrolled in blocks of limited span as ``T_k = e^{-s_k} (T_0 + Σ c_j e^{s_j})``, without
    a loop over samples. Across a gap the model follows the straight line; whether that time counts is
    decided elsewhere.

    Parameters
    ----------
    t_ms : (n,) int64
        Times, strictly increasing; the first is the sample the memory stands at. [ms since 1970-01-01 UTC]
    air_c : (n,) float64
        Air around the food, finite. [°C]
    lags : (m,) float64
        Time constants. [ms]
    memory : Memory
        Where the foods stand at the first sample.

    Returns
    -------
    (m, n) float64
        Food temperature of each lag at each sample. [°C]
    Memory
        Where they stand at the last one.

    References
    ----------
    .. [1] Newton's law of cooling; valid for a Biot number below 0.1, above that the centre lags more.
       Latent heat is left out: frozen food warms later than this and refreezes later than this.
    """
    food = np.empty((lags.size, t_ms.size))
    food[:, 0] = memory.now_c
    spacing = (t_ms[1:] - t_ms[:-1]).astype(np.float64)
    starts = block_starts(t_ms, pairs=memory.pairs, after_long=memory.after_long)
    if not starts.size or starts[0] > 0:
        starts = np.concatenate((np.zeros(1, dtype=np.int64), starts))
    elif spacing.size:
        memory = Memory.at(food[:, 0])
    if spacing.size == 1:
        memory = _one_pair(spacing[0], air_c[0], air_c[1], lags=lags, memory=memory)
        food[:, 1] = memory.now_c
        return food, memory
    for begin, table in _tables(starts, spacing.size):
        if begin:
            memory = Memory.at(memory.now_c)
        end = begin + int((table >= 0).sum())
        food[:, begin + 1 : end + 1], memory = _blocks(
            table, spacing, air_c[:-1], air_c[1:], lags=lags, memory=memory
        )
    long = bool(spacing[-1] > LONG_PAIR_MS) if spacing.size else memory.after_long
    return food, replace(memory, after_long=long)


def _tables(starts: IntArray, count: int) -> Iterator[tuple[int, IntArray]]:
    """Yield (first pair, table of pairs by block and place); -1 marks a place without a pair."""
    stops = np.concatenate((starts[1:], [count]))
    for first in range(0, starts.size if count else 0, CHUNK_BLOCKS):
        begin, end = starts[first : first + CHUNK_BLOCKS], stops[first : first + CHUNK_BLOCKS]
        width = int((end - begin).max())
        table = begin[:, None] + np.arange(width)
        yield int(begin[0]), np.where(table < end[:, None], table, -1)


def _driven_c(left_c: FloatArray, right_c: FloatArray, decay: FloatArray) -> FloatArray:
    """Return c of `follow`: what the air alone makes of food at 0 °C within a pair."""
    lost = -np.expm1(-decay)
    return np.asarray(right_c - (1.0 - lost) * left_c - (right_c - left_c) * (lost / decay))


def _one_pair(
    spacing: FloatArray, left_c: FloatArray, right_c: FloatArray, *, lags: FloatArray, memory: Memory
) -> Memory:
    """Do for a single pair what `_blocks` does for many, number by number the same, and sooner."""
    decay = spacing / lags
    span = memory.span + np.minimum(decay, MOST_DECAY)
    gathered = memory.gathered + _driven_c(left_c, right_c, decay) * np.exp(span)
    long = bool(spacing > LONG_PAIR_MS)
    return Memory(memory.start_c, span, gathered, memory.pairs + 1, after_long=long)


def _blocks(
    table: IntArray,
    spacing: FloatArray,
    left_c: FloatArray,
    right_c: FloatArray,
    *,
    lags: FloatArray,
    memory: Memory,
) -> tuple[FloatArray, Memory]:
    """Return food after each pair of some blocks; the first may go on where the memory stands."""
    real = table >= 0
    left, right = left_c[table], right_c[table]
    decay = np.where(real, spacing[table], 1.0) / lags[:, None, None]
    drive = _driven_c(left, right, decay)
    # A leading place carries what the block held before; elsewhere it is nothing.
    shape = (lags.size, table.shape[0], table.shape[1] + 1)
    span, gathered = np.zeros(shape), np.zeros(shape)
    span[:, 0, 0], gathered[:, 0, 0] = memory.span, memory.gathered
    span[:, :, 1:] = np.minimum(decay, MOST_DECAY)
    np.cumsum(span, axis=2, out=span)
    growth = np.exp(span)
    gathered[:, :, 1:] = drive * growth[:, :, 1:]
    np.cumsum(gathered, axis=2, out=gathered)
    lengths = real.sum(axis=1)
    rows = np.arange(lengths.size)
    end_gathered, end_growth = gathered[:, rows, lengths], growth[:, rows, lengths]
    before = np.empty((lags.size, lengths.size))
    now = memory.start_c
    for block in range(lengths.size):
        before[:, block] = now
        now = (now + end_gathered[:, block]) / end_growth[:, block]
    food = (gathered[:, :, 1:] + before[:, :, None]) / growth[:, :, 1:]
    last = int(lengths[-1])
    return food[:, real], Memory(
        start_c=before[:, -1],
        span=span[:, -1, last],
        gathered=gathered[:, -1, last],
        pairs=last + (memory.pairs if lengths.size == 1 else 0),
        after_long=False,
    )


def food_parts(
    t_ms: IntArray, air_c: FloatArray, food_c: FloatArray, *, lags: FloatArray, limit_c: float, gap_ms: float
) -> Parts:
    """Return when any of the modelled foods lies above a limit, and when nobody can tell.

    Within a pair the food follows its exact curve, so crossings are solved on it, also where it
    rises above the limit and falls back between two samples.

    Parameters
    ----------
    t_ms, air_c, lags
        As given to `follow`.
    food_c : (m, n) float64
        What it returned. [°C]
    limit_c : float
        The limit. [°C]
    gap_ms : float
        The longest pair that is known; a longer one counts as above when one food is above at both
        ends and it lasts no longer than 360 min, else it is unknown. [ms]
    """
    level = limit_c + ROUNDING_K
    start, end = t_ms[:-1].astype(np.float64), t_ms[1:].astype(np.float64)
    over = food_c > level
    left, right = over[:, :-1], over[:, 1:]
    both = left & right
    gap, gap_above = gaps(end - start, np.asarray(both.any(axis=0)), gap_ms=gap_ms)
    cold_start, cold_end = air_c[:-1] <= level, air_c[1:] <= level
    if not gap.any() and not over.any() and not (cold_end & ~cold_start).any():
        return Parts(above=Intervals.empty(), unknown=Intervals.empty())
    # A food above at both ends may dip between them only where the air falls below and rises again,
    # and one below at both ends may peak only where the air starts above: the turning point is where
    # food and air meet.
    dips = both & (cold_start & ~cold_end)
    whole = (both & ~dips).any(axis=0)
    counted = (whole & ~gap) | gap_above
    peaks = ~left & ~right & (~cold_start & cold_end)
    open_pairs = ((left ^ right) | dips | peaks) & ~(gap | whole)
    begin, finish = start[counted], end[counted]
    if open_pairs.any():
        which, pair = np.nonzero(open_pairs)
        low, high = _above_within(
            food_c[which, pair],
            air_c[pair],
            air_c[pair + 1],
            span=end[pair] - start[pair],
            lag=lags[which],
            level=level,
        )
        begin = np.concatenate((begin, (start[pair] + low).ravel()))
        finish = np.concatenate((finish, (start[pair] + high).ravel()))
    unknown = gap & ~gap_above
    return Parts(above=Intervals.of(begin, finish), unknown=Intervals.of(start[unknown], end[unknown]))


def chord_parts(t_ms: IntArray, food_c: FloatArray, *, limit_c: float, gap_ms: float) -> Parts:
    """Return the same for foods joined by straight lines between points that lie close together.

    Parameters
    ----------
    t_ms : (n,) int64
        Times, strictly increasing. [ms since 1970-01-01 UTC]
    food_c : (m, n) float64
        Foods at these times. [°C]
    limit_c : float
        The limit. [°C]
    gap_ms : float
        As in `food_parts`. [ms]
    """
    level = limit_c + ROUNDING_K
    start, end = t_ms[:-1].astype(np.float64), t_ms[1:].astype(np.float64)
    over = food_c > level
    left, right = over[:, :-1], over[:, 1:]
    whole = np.asarray((left & right).any(axis=0))
    gap, gap_above = gaps(end - start, whole, gap_ms=gap_ms)
    counted, unknown = (whole & ~gap) | gap_above, gap & ~gap_above
    which, pair = np.nonzero((left ^ right) & ~(gap | whole))
    low_c, high_c = food_c[which, pair], food_c[which, pair + 1]
    crossing = start[pair] + (level - low_c) / (high_c - low_c) * (end[pair] - start[pair])
    rises = right[which, pair]
    begin = np.concatenate((start[counted], np.where(rises, crossing, start[pair])))
    finish = np.concatenate((end[counted], np.where(rises, end[pair], crossing)))
    return Parts(above=Intervals.of(begin, finish), unknown=Intervals.of(start[unknown], end[unknown]))


def _above_within(
    food_c: FloatArray,
    left_c: FloatArray,
    right_c: FloatArray,
    *,
    span: FloatArray,
    lag: FloatArray,
    level: float,
) -> tuple[FloatArray, FloatArray]:
    """Return, for each pair, the stretches above `level` in its two monotone pieces, from its start."""
    slope = (right_c - left_c) / span
    swing = food_c - left_c + slope * lag

    def food_at(moment: FloatArray) -> FloatArray:
        return left_c + slope * (moment - lag) + swing * np.exp(-moment / lag)

    with np.errstate(divide="ignore", invalid="ignore"):
        turn = lag * np.log(swing / (slope * lag))
    turn = np.where(np.isfinite(turn) & (turn > 0) & (turn < span), turn, span)
    lows, highs = [], []
    for begin, finish in ((np.zeros_like(span), turn), (turn, span)):
        at_begin, at_finish = food_at(begin) - level, food_at(finish) - level
        root = _crossing(food_at, begin, finish, level, slope=slope, swing=swing, lag=lag)
        lows.append(np.where(at_begin > 0, begin, np.where(at_finish > 0, root, finish)))
        highs.append(np.where(at_finish > 0, finish, np.where(at_begin > 0, root, begin)))
    return np.array(lows), np.array(highs)


def _crossing(
    food_at: Callable[[FloatArray], FloatArray],
    begin: FloatArray,
    finish: FloatArray,
    level: float,
    *,
    slope: FloatArray,
    swing: FloatArray,
    lag: FloatArray,
) -> FloatArray:
    """Return where a monotone piece meets `level`: Newton's steps kept inside the bracket.

    A fixed number of steps, so that each answer depends on its own pair only.
    """
    low, high = begin.copy(), finish.copy()
    above_at_begin = food_at(begin) > level
    moment = (low + high) / 2
    for _ in range(NEWTON_STEPS):
        miss = food_at(moment) - level
        before = (miss > 0) == above_at_begin
        low, high = np.where(before, moment, low), np.where(before, high, moment)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = moment - miss / (slope - swing / lag * np.exp(-moment / lag))
        moment = np.where((step >= low) & (step <= high), step, (low + high) / 2)
    return moment
