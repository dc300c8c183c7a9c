"""A track that is carried on equals one that is followed from the first sample."""

import numpy as np
import pytest

from services.analytics.food import track as clock
from services.analytics.food.followed import Followed
from services.timebase import MINUTE_MS

LINES = (clock.Line(5.0), clock.Line(1.0, below=True))
T_MS = np.arange(600, dtype=np.int64) * MINUTE_MS
AIR_C = 4.0 + 3.0 * np.sin(np.arange(600) / 40.0)
LAGS = np.array([30.0, 90.0]) * MINUTE_MS
GAP_MS = 20.0 * MINUTE_MS


def asked(followed, upto, air_c=AIR_C, *, frozen=False):
    return followed.track(LINES, T_MS[:upto], air_c[:upto], lags=LAGS, gap_ms=GAP_MS, frozen=frozen)


def alike(one, other):
    pairs = [(one.memory.now_c, other.memory.now_c), (one.newest_t_ms, other.newest_t_ms)]
    curves = ("t_ms", "highest_c", "lowest_c")
    pairs += [(getattr(one.whole_curve, name), getattr(other.whole_curve, name)) for name in curves]
    for name in ("above", "unknown"):
        for a, b in zip(getattr(one, name), getattr(other, name), strict=True):
            pairs += [(a.start_ms, b.start_ms), (a.end_ms, b.end_ms)]
    return all(np.array_equal(a, b) for a, b in pairs)


@pytest.mark.parametrize("frozen", [False, True])
def test_what_was_carried_on_is_the_same_to_the_last_bit(frozen):
    air_c = AIR_C - 8.0 if frozen else AIR_C
    followed = Followed()
    for upto in (100, 101, 357, 357, 600):
        found = asked(followed, upto, air_c, frozen=frozen)
        assert alike(found, asked(Followed(), upto, air_c, frozen=frozen))
    assert followed.carried == 4


def test_readings_that_read_otherwise_now_are_followed_anew():
    followed = Followed()
    asked(followed, 300)
    changed = AIR_C.copy()
    changed[200] = np.nextafter(changed[200], 9.0)
    assert alike(asked(followed, 400, changed), asked(Followed(), 400, changed))
    assert followed.carried == 0


def test_fewer_readings_than_were_followed_are_followed_anew():
    followed = Followed()
    asked(followed, 400)
    assert alike(asked(followed, 150), asked(Followed(), 150))
    assert followed.carried == 0


def test_what_was_asked_for_longest_ago_is_let_go():
    followed = Followed(most_rows=700)
    asked(followed, 400)
    asked(followed, 390, AIR_C + 0.5)
    asked(followed, 400)
    assert followed.carried == 0
    asked(followed, 400)
    assert followed.carried == 1
