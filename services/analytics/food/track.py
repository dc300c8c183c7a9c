"""The clock of one cabinet, one sample at a time or all at once: one way, the same answer."""

from dataclasses import dataclass, replace

import numpy as np

from services.analytics.food.exposure import Parts, line_parts
from services.analytics.food.freezing import Frozen, finer, follow_frozen
from services.analytics.food.intervals import Intervals
from services.analytics.food.lags import Memory, chord_parts, follow, food_parts
from services.telemetry import FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Line:
    """A limit and the side of it that counts."""

    limit_c: float
    below: bool = False
    """True where time under the limit counts (food that must not freeze)."""

    @property
    def sign(self) -> float:
        """Factor that turns 'below' into 'above'."""
        return -1.0 if self.below else 1.0


@dataclass(frozen=True, slots=True)
class Curve:
    """Warmest and coldest food at some samples."""

    t_ms: IntArray
    highest_c: FloatArray
    lowest_c: FloatArray


def joined_curve(pieces: tuple[Curve, ...]) -> Curve:
    """Return several pieces, in order of time, as one."""
    if not pieces:
        return Curve(np.empty(0, dtype=np.int64), np.empty(0), np.empty(0))
    return Curve(
        np.concatenate([piece.t_ms for piece in pieces]),
        np.concatenate([piece.highest_c for piece in pieces]),
        np.concatenate([piece.lowest_c for piece in pieces]),
    )


CURVE_PIECE = 128
"""A piece of this many samples is full."""


@dataclass(frozen=True, slots=True)
class Track:
    """What is remembered of a cabinet between two samples; never changed, only replaced."""

    lines: tuple[Line, ...]
    lags: FloatArray
    """Time constants in ms; empty: the readings are the food itself."""
    gap_ms: float
    keep_ms: float
    """How far back stretches and curves are kept, counted from the newest sample."""
    newest_t_ms: IntArray
    newest_c: FloatArray
    """The newest sample, empty before the first."""
    memory: Memory
    """Where the foods stand at it."""
    above: tuple[Intervals, ...]
    unknown: tuple[Intervals, ...]
    curve: tuple[Curve, ...]
    """In pieces, so that one more sample does not copy all others."""
    frozen: Frozen | None = None
    """Foods that freeze and thaw; None: plain lags."""

    @property
    def whole_curve(self) -> Curve:
        """Warmest and coldest food at every sample kept."""
        return joined_curve(self.curve)

    @property
    def last_ms(self) -> int | None:
        """Time of the newest sample, None before the first."""
        return int(self.newest_t_ms[0]) if self.newest_t_ms.size else None


def start(
    lines: tuple[Line, ...],
    *,
    lags: FloatArray,
    gap_ms: float,
    keep_ms: float = np.inf,
    start_c: float | None = None,
    frozen: bool = False,
) -> Track:
    """Return a clock that has seen nothing yet; food begins at `start_c`, else at the first air.

    `frozen` is for food kept in a freezer: ice in it melts and forms again (see `freezing`).
    """
    nothing = tuple(Intervals.empty() for _ in lines)
    return Track(
        lines=lines,
        lags=lags,
        gap_ms=gap_ms,
        keep_ms=keep_ms,
        newest_t_ms=np.empty(0, dtype=np.int64),
        newest_c=np.empty(0),
        memory=Memory.at(np.full(lags.size, np.nan if start_c is None else start_c)),
        above=nothing,
        unknown=nothing,
        curve=(),
        frozen=Frozen.of(lags) if frozen and lags.size else None,
    )


def extend(track: Track, t_ms: IntArray, air_c: FloatArray) -> Track:
    """Return the clock after more samples, strictly later than those it has seen.

    However a stream is cut into calls, the result is the same to the last bit: the foods are worked
    out in blocks counted from the first sample, and what a block holds so far is remembered.

    Raises
    ------
    ValueError
        If times do not increase strictly, or a reading is not finite.
    """
    if not t_ms.size:
        return track
    seen = track.newest_t_ms.size
    times = np.concatenate((track.newest_t_ms, t_ms))
    air = np.concatenate((track.newest_c, air_c))
    if not bool((times[1:] > times[:-1]).all()) or not bool(np.isfinite(air_c).all()):
        raise ValueError("samples must be finite and strictly later than those already seen")
    food, memory = air[None, :], track.memory
    if track.lags.size:
        if not seen and np.isnan(memory.start_c[0]):
            memory = Memory.at(np.full(track.lags.size, air[0]))
        if track.frozen is None:
            food, memory = follow(times, air, lags=track.lags, memory=memory)
        else:
            times, air = finer(times, air, gap_ms=track.gap_ms)
            food, memory = follow_frozen(times, air, foods=track.frozen, memory=memory)
    new = _parts(track, times, air, food)
    horizon = float(times[-1]) - track.keep_ms
    fresh = Curve(times[seen:], food[:, seen:].max(axis=0), food[:, seen:].min(axis=0))
    return replace(
        track,
        newest_t_ms=times[-1:],
        newest_c=air[-1:],
        memory=memory,
        above=tuple(a.since(horizon).joined(p.above) for a, p in zip(track.above, new, strict=True)),
        unknown=tuple(u.since(horizon).joined(p.unknown) for u, p in zip(track.unknown, new, strict=True)),
        curve=_longer(track.curve, fresh, horizon),
    )


def _longer(curve: tuple[Curve, ...], fresh: Curve, horizon_ms: float) -> tuple[Curve, ...]:
    """Return the curve with more samples, without pieces that lie wholly before the horizon."""
    if curve and curve[-1].t_ms.size < CURVE_PIECE:
        curve, fresh = curve[:-1], joined_curve((curve[-1], fresh))
    gone = 0
    while gone < len(curve) and curve[gone].t_ms[-1] < horizon_ms:
        gone += 1
    return (*curve[gone:], fresh)


def _parts(track: Track, times: IntArray, air: FloatArray, food: FloatArray) -> list[Parts]:
    found = []
    for line in track.lines:
        sign, limit = line.sign, line.sign * line.limit_c
        if track.frozen is not None:
            parts = chord_parts(times, sign * food, limit_c=limit, gap_ms=track.gap_ms)
        elif track.lags.size:
            parts = food_parts(
                times, sign * air, sign * food, lags=track.lags, limit_c=limit, gap_ms=track.gap_ms
            )
        else:
            parts = line_parts(times, sign * air, limit_c=limit, gap_ms=track.gap_ms)
        found.append(parts)
    return found


@dataclass(frozen=True, slots=True)
class Summary:
    """One line's clock between two moments."""

    line: Line
    above: Intervals
    unknown: Intervals
    """Gaps, and the silence up to the as-of time where it is longer than the gap limit."""
    minutes_above: float
    minutes_unknown: float


def summary(track: Track, *, from_ms: float, as_of_ms: int, line: int = 0) -> Summary:
    """Return what one line's clock shows for ``[from_ms, as_of_ms)``, not ending before the newest sample.

    Time before the first sample is not looked at here: whether somebody waited for it is for the
    caller to say.
    """
    above = track.above[line].clipped(from_ms, as_of_ms)
    unknown = track.unknown[line].clipped(from_ms, as_of_ms)
    last = track.last_ms
    if last is not None and as_of_ms - last > track.gap_ms:
        tail = Intervals(np.array([float(last)]), np.array([float(as_of_ms)])).clipped(from_ms, as_of_ms)
        unknown = unknown.joined(tail)
    return Summary(
        line=track.lines[line],
        above=above,
        unknown=unknown,
        minutes_above=float(np.sum(above.end_ms - above.start_ms)) / 60_000,
        minutes_unknown=float(np.sum(unknown.end_ms - unknown.start_ms)) / 60_000,
    )
