import pytest

from deploy.foodchart import LONGEST_MS, FoodChart
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.larder import NOW_MS, open_larder


@pytest.fixture(scope="module")
def chart(tmp_path_factory):
    larder = open_larder(tmp_path_factory.mktemp("larder"))
    yield FoodChart(larder.records, larder.reader, lambda: NOW_MS), larder
    larder.close()


def test_food_stands_in_the_bins_of_the_chart_and_gaps_stay_gaps(chart):
    model, _ = chart
    found = model("v3-meat", NOW_MS - DAY_MS, NOW_MS, 48)
    assert len(found.t_ms) == 48
    empty = [at for at, count in enumerate(found.count) if count == 0]
    assert empty, "190 samples were never sent"
    assert all(found.max[at] is None and found.min[at] is None for at in empty)
    warmest = max(high for high in found.max if high is not None)
    assert 4.5 < warmest < 7.5, "food swings less than the air around it"


def test_the_hours_to_come_hold_no_food(chart):
    found = chart[0]("v3-meat", NOW_MS - DAY_MS, NOW_MS + DAY_MS, 48)
    assert not any(count for t, count in zip(found.t_ms, found.count, strict=True) if t > NOW_MS)


def test_the_same_moment_is_told_the_same_whatever_the_span(chart):
    short = chart[0]("v3-meat", NOW_MS - HOUR_MS, NOW_MS, 60)
    long = chart[0]("v3-meat", NOW_MS - 6 * HOUR_MS, NOW_MS, 360)
    assert short.max[-60:] == long.max[-60:]


def test_no_food_is_followed_over_years_or_where_nothing_was_heard(chart):
    model, _ = chart
    assert model("v3-meat", NOW_MS - LONGEST_MS - 1, NOW_MS, 48) is None
    assert model("v3-veg", NOW_MS - DAY_MS, NOW_MS, 48) is None
