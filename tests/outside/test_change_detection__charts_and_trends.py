"""Charts and trends against published run lengths and against libraries.

Average run lengths of the two-sided CUSUM, k = 0.5: D. C. Montgomery, Introduction to Statistical Quality
Control, table of ARL for tabular CUSUM (from memory): h = 5: 465 without a shift, 38.0, 10.4 and 4.01 for
shifts of 0.5, 1 and 2 standard deviations; h = 4: 168 and 8.38 for none and 1.
EWMA λ = 0.2, L = 2.7: same book (from memory); the worked case is a running share that steps from 0.35 to
0.45 on day 60 with a spread of 0.03.
"""

import numpy as np
import pymannkendall
import pytest
import ruptures
from scipy.stats import kendalltau, theilslopes

from services.analytics.power.trend import trend_of
from services.analytics.service import waiting
from services.analytics.service.changes import breaks, cusum, ewma
from services.analytics.service.trends import course_of
from services.timebase import DAY_MS

pytestmark = pytest.mark.outside


def run_lengths(*, h, shift, runs, longest):
    """Return how long each of many charts of noise ran before it alarmed."""
    noise = np.random.default_rng(9).normal(loc=shift, size=(runs, longest))
    lengths = []
    for z in noise:
        up, down = cusum(z)
        over = np.flatnonzero((up > h) | (down > h))
        lengths.append(over[0] + 1 if over.size else longest)
    return np.array(lengths)


@pytest.mark.parametrize(
    ("h", "shift", "published", "longest"),
    [
        (5.0, 0.0, 465.0, 5000),
        (5.0, 0.5, 38.0, 600),
        (5.0, 1.0, 10.4, 200),
        (5.0, 2.0, 4.01, 60),
        (4.0, 0.0, 168.0, 2500),
        (4.0, 1.0, 8.38, 200),
    ],
)
def test_cusum_runs_as_long_as_the_published_table_says(h, shift, published, longest):
    lengths = run_lengths(h=h, shift=shift, runs=400, longest=longest)
    error = lengths.std() / np.sqrt(lengths.size)
    assert lengths.mean() == pytest.approx(published, abs=3.5 * error + 0.005 * published)


def stepped():
    """Return a running share of 0.35 that is 0.45 from day 60 on, standardised on the first level."""
    duty = np.where(np.arange(120) < 60, 0.35, 0.45) + 0.03 * np.random.default_rng(1).normal(size=120)
    return (duty - 0.35) / 0.03


def test_a_step_of_duty_is_seen_within_two_days_and_both_searches_date_it():
    z = stepped()
    mean, limit = ewma(z)
    first_ewma = np.flatnonzero(np.abs(mean) > limit)
    first_cusum = np.flatnonzero(cusum(z)[0] > 5.0)
    assert 60 <= first_ewma[first_ewma >= 60][0] <= 62
    assert 60 <= first_cusum[first_cusum >= 60][0] <= 63
    column = z.reshape(-1, 1)
    price = 3.0 * np.log(z.size)
    assert ruptures.Pelt(model="l2", min_size=5, jump=1).fit(column).predict(pen=price)[:-1] == [60]
    assert ruptures.Binseg(model="l2", min_size=5, jump=1).fit(column).predict(n_bkps=1)[:-1] == [60]
    assert breaks(z).tolist() == [60]


def test_limits_of_the_ewma_open_to_their_published_width():
    _, limit = ewma(np.zeros(200))
    assert limit[0] == pytest.approx(2.7 * 0.2)
    assert limit[-1] == pytest.approx(2.7 * np.sqrt(0.2 / 1.8))


def test_the_trend_vector_is_what_both_libraries_say():
    i = np.arange(90.0)
    y = 0.35 + 0.001 * i + 0.03 * np.random.default_rng(42).normal(size=90)
    found = trend_of(i, y)
    theirs, book = theilslopes(y, i), pymannkendall.original_test(y)
    assert found.slope == pytest.approx(theirs.slope) == pytest.approx(0.000943048, abs=5e-10)
    assert (found.low, found.high) == pytest.approx((theirs.low_slope, theirs.high_slope), abs=2e-6)
    assert (found.s, found.z) == pytest.approx((book.s, book.z))
    assert (book.s, book.z) == pytest.approx((2197, 7.6536), abs=1e-4)
    assert found.variance == pytest.approx(82325, abs=1) == pytest.approx(book.var_s, abs=1)
    assert kendalltau(i, y).statistic == pytest.approx(0.54856, abs=1e-5) == pytest.approx(book.Tau, abs=1e-5)
    assert course_of(i, y).sure


def test_days_until_a_limit_lie_between_both_ends_of_the_slope_and_an_end_at_nothing_hides_them():
    i = np.arange(90)
    noise = 0.03 * np.random.default_rng(42).normal(size=90)
    least, most = waiting._fall(i * DAY_MS, -(0.35 + 0.001 * i + noise))
    # the interval of the vector above, as both libraries print it: 0.000773 to 0.001148 a day
    assert (least, most) == pytest.approx((0.000773, 0.001148), abs=2e-6)
    in_hand = 0.16
    early, _ = waiting._date(in_hand, most, 0)
    late, _ = waiting._date(in_hand, least, 0)
    # by hand: 0.16 / 0.001148 = 139.4 d, 0.16 / 0.000773 = 207.0 d
    assert early / DAY_MS == pytest.approx(139, abs=1)
    assert late / DAY_MS == pytest.approx(207, abs=1)
    assert waiting._fall(i * DAY_MS, noise) is None


def test_days_that_resemble_each_other_are_no_trend():
    wandering = np.cumsum(np.random.default_rng(3).normal(size=30))
    held = np.repeat(wandering[:10], 6)
    i = np.arange(60.0)
    assert pymannkendall.original_test(held).p < pymannkendall.hamed_rao_modification_test(held).p
    assert course_of(i, held).p == pytest.approx(pymannkendall.hamed_rao_modification_test(held).p)


def test_under_eight_days_nothing_is_tested():
    assert course_of(np.arange(7.0), np.arange(7.0)) is None
