from dashboards.figures.plan import HEIGHT, WIDTH, bands
from services.domain import Quantiles
from services.domain.plan import PlanHour

HOURS = tuple(
    PlanHour(at=3_600_000 * h, day=1 + h // 2, doing="driving" if h == 1 else "stopped", outside_c=20.0)
    for h in range(4)
)
VALUES = tuple(Quantiles(p10=10.0 * h, p50=10.0 * h + 5, p90=10.0 * h + 10) for h in range(4))


def points(words):
    return [tuple(float(part) for part in pair.split(",")) for pair in words.split()]


def test_the_band_goes_out_along_the_late_end_and_back_along_the_early_one():
    found = bands(VALUES, HOURS, low=0.0, high=100.0)
    shape = points(found.band)
    assert len(shape) == 8
    assert shape[0] == (WIDTH / 4, HEIGHT * 0.9)
    assert shape[-1] == (WIDTH / 4, HEIGHT)
    assert points(found.middle)[3] == (WIDTH, HEIGHT * 0.65)


def test_days_drives_and_the_limit_are_marked_where_they_are():
    found = bands(VALUES, HOURS, low=0.0, high=100.0, limit=50.0)
    assert found.days == (WIDTH / 2,)
    assert found.fed == ((WIDTH / 4, WIDTH / 4),)
    assert found.limit_y == HEIGHT / 2
    assert bands(VALUES, HOURS, low=0.0, high=100.0, limit=150.0).limit_y is None


def test_nothing_is_drawn_outside_the_picture():
    found = bands(VALUES, HOURS, low=20.0, high=30.0)
    assert all(0 <= y <= HEIGHT for _, y in points(found.band))
