import pytest

from services.api.access import Asker
from services.api.desk import Desk
from services.domain import HealthDay, Usual
from services.timebase import DAY_MS
from tests.helpers.larder import NOW_MS, open_larder

TODAY_MS = NOW_MS - NOW_MS % DAY_MS
FIRST_MS = TODAY_MS - 3 * DAY_MS


@pytest.fixture
def desk(tmp_path):
    opened = open_larder(tmp_path)
    days = [
        HealthDay(
            day=FIRST_MS + n * DAY_MS,
            measured_on="here",
            has=("cabinet", "battery") if n == 2 else ("cabinet", "battery", "ambient"),
            hours_seen=24.0,
            duty=0.3 + n / 10,
            night_slope_per_k=None if n == 2 else 0.01,
            ambient_from=None if n == 2 else "measured",
            marks=("heat",) if n == 1 else (),
        )
        for n in range(3)
    ]
    opened.records.write_health("v3-meat", days, start_ms=FIRST_MS, end_ms=TODAY_MS)
    usual = Usual(feature="duty", middle=0.3, low=0.2, high=0.4, days=21, first=0, last=DAY_MS)
    opened.records.write_findings("v3-meat", [], [usual], [], found_ms=TODAY_MS)
    yield Desk(opened.records, opened.reader, lambda: NOW_MS, opened.box)
    opened.close()


def numbers(health):
    return {number.name: number for number in health.numbers}


def test_each_number_is_a_line_with_its_usual_and_its_newest_value(desk):
    health = desk.unit_health("v3-meat", start_ms=FIRST_MS, end_ms=TODAY_MS)
    duty = numbers(health)["duty"]
    assert duty.values == pytest.approx([0.3, 0.4, 0.5])
    assert (duty.last.value, duty.last.day) == (0.5, FIRST_MS + 2 * DAY_MS)
    assert (duty.usual.middle, duty.usual_reason, duty.last_reason) == (0.3, None, None)
    assert health.set_aside == ((), ("heat",), ())


def test_what_the_newest_day_does_not_tell_keeps_its_last_value_and_says_why(desk):
    found = numbers(desk.unit_health("v3-meat", start_ms=FIRST_MS, end_ms=TODAY_MS))
    slope = found["night_slope_per_k"]
    assert (slope.last.day, slope.last_reason) == (FIRST_MS + DAY_MS, "no_ambient")
    assert slope.usual is None
    assert "seven plain days" in slope.usual_reason
    assert (found["running_a"].last, found["running_a"].last_reason) == (None, "not_measured")


def test_days_of_another_place_are_not_there(desk):
    seen = desk.seen_by(
        Asker(kind="person", name="Jonas K.", role="workshop", sites=frozenset({"river-camp"}))
    )
    assert seen._records.use_between(FIRST_MS, TODAY_MS) == {}
    assert seen.unit_health("v3-meat", start_ms=FIRST_MS, end_ms=TODAY_MS).days == ()
    assert set(desk._records.use_between(FIRST_MS, TODAY_MS)) == {"v3-meat"}


def test_only_machines_that_are_seen_are_compared(desk):
    whole = desk.fleet_compared()
    assert (whole.days, whole.rows) == (30, ())
    assert "v3-meat" in whole.too_few_days
    part = desk.seen_by(
        Asker(kind="person", name="Jonas K.", role="workshop", sites=frozenset({"river-camp"}))
    )
    seen = part.fleet_compared()
    assert 0 < seen.units < whole.units
    assert "v3-meat" not in seen.too_few_days
