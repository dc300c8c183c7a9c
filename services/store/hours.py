"""What each hour of a week held of one column: the roll-up that long charts are made of."""

import zlib

import numpy as np

from services.store.bins import Gathered
from services.store.chunks import WEEK_MS
from services.telemetry import FloatArray, IntArray
from services.timebase import HOUR_MS

HOURS = WEEK_MS // HOUR_MS


def packed(hours: Gathered) -> bytes:
    """Return a week's hours as the bytes that are kept: lowest, highest, sum and count, in thousandths."""
    arrays = (_thousandths(hours.low), _thousandths(hours.high), hours.total, hours.count)
    return zlib.compress(np.concatenate(arrays).astype("<i8").tobytes())


def unpacked(body: bytes) -> Gathered:
    """Return a week's hours from the bytes that are kept."""
    low, high, total, count = np.frombuffer(zlib.decompress(body), dtype="<i8").reshape(4, HOURS)
    empty = count == 0
    return Gathered(_readings(low, empty), _readings(high, empty), total.copy(), count.copy())


def _thousandths(values: FloatArray) -> IntArray:
    return np.rint(np.nan_to_num(values, nan=0.0) * 1000.0).astype(np.int64)


def _readings(thousandths: IntArray, empty: np.ndarray) -> FloatArray:
    readings = thousandths / 1000.0
    readings[empty] = np.nan
    return readings
