"""Checks in melting ice: what they say of the readings before and after them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from services.domain import SensorCheck
from services.telemetry import FloatArray, IntArray
from services.timebase import iso_of, ms_of

ACCEPTED_K = 1.0
"""0 ± 1 °C in melting ice passes: Hong Kong Centre for Food Safety (read in a secondary copy); the same ±1 °C
as US Food Code 4-203.11 (secondary copy) and FSANZ Standard 3.2.2 clause 22 (secondary copy)."""
BOILS_C = {500: 98.3, 1000: 96.7, 1500: 95.0, 2000: 93.4}
"""Where water boils by height above the sea in metres: why a sound thermometer fails 99 to 101 °C in boiling
water in the hills (derived from the standard atmosphere and the vapour pressure of water)."""
_HILLS_M = 1500


@dataclass(frozen=True, slots=True)
class Correction:
    """What the checks of one channel say of the readings in ``[from_ms, to_ms)``."""

    from_ms: int | None
    """None: from the beginning."""
    to_ms: int | None
    """None: until the next check."""
    offset_k: float
    """Added to every reading for limits that must not be passed upwards; never negative. [K]"""
    high_k: float
    """How far the sensor read high: shown; taken off only where cold is the danger. [K]"""
    failed: bool
    """True where a failed check at either end makes these readings suspect."""


def passes(check: SensorCheck) -> bool:
    """Return whether a reading in melting ice lies within 0 ± 1 °C."""
    return abs(check.reading_c) <= ACCEPTED_K


def corrections(
    checks: Sequence[SensorCheck], *, fixed_offset_c: float = 0.0, channel: str = "cabinet"
) -> tuple[Correction, ...]:
    """Return what is to be added to a channel's readings, stretch by stretch, over all time.

    A check that passes stores its offset from then on. One that fails reaches backwards to the last
    check that passed and forwards to the next one that does. Reading low is put right; reading high is
    told and never taken off, because nothing is cleared by arithmetic: between two checks the lower of
    the readings that apply decides.

    Parameters
    ----------
    checks : sequence of SensorCheck
        In any order; those of other channels are left out.
    fixed_offset_c : float
        What the unit file says the sensor reads in melting ice; stands for a check before all others.
    channel : str
        ``cabinet`` or ``product``.

    Returns
    -------
    tuple of Correction
        One per stretch, in order, without gaps; a single one where there are no checks.
    """
    own = sorted((c for c in checks if c.channel == channel), key=lambda c: (c.at, c.reading_c))
    times: list[int | None] = [None, *(ms_of(c.at) for c in own), None]
    reads = [fixed_offset_c, *(c.reading_c for c in own)]
    good = [True, *(passes(c) for c in own)]
    applying = [[read] for read in reads]
    failed = [not passed for passed in good]
    for k in range(len(reads) - 1, 0, -1):
        if good[k]:
            continue
        for j in range(k - 1, -1, -1):
            applying[j].append(reads[k])
            failed[j] = True
            if good[j] and j > 0:
                break
    return tuple(
        Correction(
            from_ms=times[k],
            to_ms=times[k + 1],
            offset_k=max(0.0, -min(applying[k])),
            high_k=max(0.0, *applying[k]),
            failed=failed[k],
        )
        for k in range(len(reads))
        if k == 0 or times[k] != times[k + 1]
    )


def offsets(found: Sequence[Correction], t_ms: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return what to add and how far too high, at each time, in K."""
    low, high = np.zeros(t_ms.size), np.zeros(t_ms.size)
    for stretch in found:
        begin = 0 if stretch.from_ms is None else int(np.searchsorted(t_ms, stretch.from_ms))
        end = t_ms.size if stretch.to_ms is None else int(np.searchsorted(t_ms, stretch.to_ms))
        low[begin:end], high[begin:end] = stretch.offset_k, stretch.high_k
    return low, high


def seen_by(found: Sequence[Correction], t_ms: IntArray) -> tuple[Correction, ...]:
    """Return the stretches that any of these times lies in; all where there are none."""
    if not t_ms.size:
        return tuple(found)
    first, last = int(t_ms[0]), int(t_ms[-1])
    return tuple(
        f for f in found if (f.from_ms is None or f.from_ms <= last) and (f.to_ms is None or f.to_ms > first)
    )


def failed(found: Sequence[Correction], t_ms: IntArray) -> tuple[tuple[int, int, bool], ...]:
    """Return (start, end, still so) of the stretches made suspect by failed checks, joined."""
    if not t_ms.size:
        return ()
    joined: list[tuple[int, int, bool]] = []
    for stretch in found:
        if not stretch.failed:
            continue
        begin = int(t_ms[0]) if stretch.from_ms is None else stretch.from_ms
        end = int(t_ms[-1]) if stretch.to_ms is None else stretch.to_ms
        if joined and joined[-1][1] >= begin:
            begin = joined.pop()[0]
        joined.append((begin, max(begin, end), stretch.to_ms is None))
    return tuple(joined)


def words(found: Sequence[Correction], *, channel: str, freezer: bool) -> tuple[str, ...]:
    """Return what was done to a channel's readings, in plain words for `assumed`."""
    told = []
    for stretch in _joined(found):
        when = _when(stretch)
        failed = "failed its check in melting ice, " if stretch.failed else ""
        if stretch.offset_k > 0:
            told.append(
                f"the {channel} sensor {failed}reads {stretch.offset_k:g} K low: added to every reading{when}"
                + (", minutes recomputed" if stretch.failed else "")
            )
        if stretch.high_k > 0:
            told.append(f"the {channel} sensor {failed}reads {stretch.high_k:g} K high: not taken off{when}")
    if any(stretch.failed for stretch in found):
        told.append(
            "check it again in melting ice, not in boiling water: "
            f"at {_HILLS_M} m that is {BOILS_C[_HILLS_M]:.1f} °C"
        )
    if told and freezer:
        told.append("a check in melting ice proves nothing at -18 °C: compare there too")
    return tuple(told)


def _joined(found: Sequence[Correction]) -> list[Correction]:
    """Return neighbours that say the same as one stretch."""
    joined: list[Correction] = []
    for stretch in found:
        last = joined[-1] if joined else None
        if last is not None and replace(last, from_ms=None, to_ms=None) == replace(
            stretch, from_ms=None, to_ms=None
        ):
            joined[-1] = replace(last, to_ms=stretch.to_ms)
        else:
            joined.append(stretch)
    return joined


def _when(stretch: Correction) -> str:
    since = "" if stretch.from_ms is None else f" from {iso_of(stretch.from_ms)}"
    return since + ("" if stretch.to_ms is None else f" until {iso_of(stretch.to_ms)}")
