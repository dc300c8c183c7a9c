"""Food time above a limit the slow way: one row after the other, plain arithmetic, no arrays.

Written apart from the service's own code, to be compared with it.
"""

import math
from collections import defaultdict
from itertools import pairwise
from typing import NamedTuple

MINUTE_MS = 60_000
LAGS_MIN = (10, 20, 45, 95, 180, 330, 600)
BOTH_ENDS_MIN = 360
BISECTIONS = 80


def one_row_per_time(rows):
    """Midpoint of lowest and highest where several rows share a time; rows without a value go."""
    by_time = defaultdict(set)
    for t_ms, value_c in rows:
        if value_c is not None and not math.isnan(value_c):
            by_time[t_ms].add(value_c)
    return [
        (t, min(seen) if len(seen) == 1 else (min(seen) + max(seen)) / 2)
        for t, seen in sorted(by_time.items())
    ]


class Pair(NamedTuple):
    """Air on a straight line between two readings."""

    left_c: float
    right_c: float
    minutes: float

    def air_c(self, moment_min):
        return self.left_c + (self.right_c - self.left_c) * moment_min / self.minutes

    def food_c(self, start_c, lag_min, moment_min):
        """Exact answer of dT/dt = (air - T)/lag."""
        slope = (self.right_c - self.left_c) / self.minutes
        settled_0 = self.left_c - slope * lag_min
        settled_t = self.left_c + slope * (moment_min - lag_min)
        return settled_t + (start_c - settled_0) * math.exp(-moment_min / lag_min)

    def warm_pieces(self, start_c, lag_min, limit_c):
        """Where the food is above the limit; it turns where it meets the air."""

        def food(moment_min):
            return self.food_c(start_c, lag_min, moment_min)

        def drive(moment_min):
            return self.air_c(moment_min) - food(moment_min)

        cuts = [0.0, self.minutes]
        if drive(0.0) * drive(self.minutes) < 0:
            cuts.insert(1, _root(drive, 0.0, self.minutes))
        found = []
        for low, high in pairwise(cuts):
            over_low, over_high = food(low) > limit_c, food(high) > limit_c
            if over_low and over_high:
                found.append((low, high))
            elif over_low or over_high:
                root = _root(lambda moment_min: food(moment_min) - limit_c, low, high)
                found.append((low, root) if over_low else (root, high))
        return found


def _root(function, low, high):
    sign = function(low) > 0
    for _ in range(BISECTIONS):
        middle = (low + high) / 2
        if (function(middle) > 0) == sign:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def food_minutes(rows, *, limit_c, gap_min, as_of_ms, from_ms, lags_min=LAGS_MIN, start_c=None):
    """Return (minutes above, minutes unknown) of the union over the lags, between two times."""
    rows = [row for row in one_row_per_time(rows) if row[0] <= as_of_ms]
    limit_c += 1e-6
    above, unknown = [], []
    foods = dict.fromkeys(lags_min, rows[0][1] if start_c is None else start_c) if rows else {}
    for (t0, left_c), (t1, right_c) in pairwise(rows):
        pair = Pair(left_c, right_c, (t1 - t0) / MINUTE_MS)
        after = {lag: pair.food_c(food, lag, pair.minutes) for lag, food in foods.items()}
        if pair.minutes > gap_min:
            warm = any(foods[lag] > limit_c and after[lag] > limit_c for lag in foods)
            (above if warm and pair.minutes <= BOTH_ENDS_MIN else unknown).append((t0, t1))
        else:
            for lag, food in foods.items():
                pieces = pair.warm_pieces(food, lag, limit_c)
                above += [(t0 + low * MINUTE_MS, t0 + high * MINUTE_MS) for low, high in pieces]
        foods = after
    if rows and as_of_ms - rows[-1][0] > gap_min * MINUTE_MS:
        unknown.append((rows[-1][0], as_of_ms))
    return _length(above, from_ms, as_of_ms), _length(unknown, from_ms, as_of_ms)


def line_minutes(rows, *, limit_c, gap_min):
    """Return (minutes above, minutes unknown) on straight lines between readings."""
    above = unknown = 0.0
    rows = one_row_per_time(rows)
    for (t0, left), (t1, right) in pairwise(rows):
        pair = (t1 - t0) / MINUTE_MS
        if pair > gap_min:
            if left > limit_c and right > limit_c and pair <= BOTH_ENDS_MIN:
                above += pair
            else:
                unknown += pair
        elif left > limit_c and right > limit_c:
            above += pair
        elif left > limit_c or right > limit_c:
            above += pair * (max(left, right) - limit_c) / abs(right - left)
    return above, unknown


def _length(spans, from_ms, to_ms):
    total, reach = 0.0, from_ms
    for start, end in sorted(spans):
        low, high = max(start, reach), min(end, to_ms)
        if high > low:
            total += high - low
            reach = high
    return total / MINUTE_MS
