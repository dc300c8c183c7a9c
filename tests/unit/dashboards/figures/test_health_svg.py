from dashboards.figures.health_svg import HEIGHT, WIDTH, spark
from services.api.healthdesk import LastTold, NumberOfDays
from services.domain import Usual
from services.timebase import DAY_MS

USUAL = Usual(feature="duty", middle=0.3, low=0.2, high=0.4, days=21, first=0, last=0)


def drawn(values, usual=None, days=None):
    days = days or [n * DAY_MS for n in range(len(values))]
    known = [v for v in values if v is not None]
    last = LastTold(value=known[-1], day=0) if known else None
    number = NumberOfDays(name="duty", unit="1", values=tuple(values), last=last, usual=usual)
    return spark(number, days, start_ms=0, end_ms=10 * DAY_MS)


def ys(line):
    return [float(point.split(",")[1]) for point in line.split()]


def test_a_day_that_tells_nothing_breaks_the_line():
    found = drawn([0.1, 0.2, None, 0.4, 0.5, None, 0.2])
    assert [len(line.split()) for line in found.lines] == [2, 2]
    assert len(found.dots) == 1


def test_what_hardly_moves_looks_it():
    flat = ys(drawn([1.00, 1.01, 0.99, 1.00]).lines[0])
    assert max(flat) - min(flat) < 0.1 * HEIGHT
    steep = ys(drawn([1.0, 2.0, 1.0]).lines[0])
    assert max(steep) - min(steep) > 0.8 * HEIGHT


def test_higher_values_stand_higher_and_the_usual_is_a_band_behind():
    found = drawn([0.1, 0.5], usual=USUAL)
    low, high = ys(found.lines[0])
    top, height = found.band
    assert high < top < top + height < low


def test_nothing_known_draws_nothing_and_one_day_a_dot_inside():
    assert drawn([None, None]) is None
    found = drawn([0.0])
    ((x, y),) = found.dots
    assert 0 < x < WIDTH
    assert 0 < y < HEIGHT
