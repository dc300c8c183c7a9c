"""Days that are over are worked out, taken back by late samples, and never hold up what is live."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest

from services.domain import Evidence, Finding, HealthDay, Middle
from services.monitor import healthdays
from services.monitor.healthdays import QUIET_S, HealthDays
from services.records.facade import Records
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import Series
from tests.helpers import made
from tests.helpers.cabinet_days import DAY_MS, FIRST_MS, HOUR_MS, Machine, played, samples

EVERY = 5
"""Minutes between samples: a slow machine needs no more."""
_MINUTES = played(3, Machine(time_constant_h=20.0))
THREE = Series(_MINUTES.t_ms[::EVERY], {n: v[::EVERY] for n, v in _MINUTES.columns.items()})
FROM_NOON = (THREE.t_ms >= FIRST_MS + DAY_MS + 12 * HOUR_MS) & (THREE.t_ms < FIRST_MS + DAY_MS + 14 * HOUR_MS)
READY_MS = FIRST_MS + 3 * DAY_MS + 5 * HOUR_MS


def fleet(**of_meat):
    whole = made.fleet()
    described = {"v3-meat": {"interval_s": 300, **of_meat}, "v3-ice": {"interval_s": 300}}
    units = tuple(unit.model_copy(update=described[unit.id]) for unit in whole.units)
    return whole.model_copy(update={"units": units})


def part(series, chosen, drop=()):
    columns = {n: v[chosen] for n, v in series.columns.items() if n not in drop}
    return Series(series.t_ms[chosen], columns)


@dataclass
class Watch:
    now_s: float = 0.0

    def __call__(self) -> float:
        return self.now_s


class House:
    def __init__(self, folder):
        self.store = SqliteStore(folder / "telemetry.db")
        self.reader = SqliteReader(folder / "telemetry.db")
        self.records = Records(folder / "records.db")
        self.records.apply_fleet(fleet(), who="operator", now_ms=FIRST_MS - DAY_MS)
        self.watch = Watch()
        self.position = 0
        self.keeper = HealthDays(self.reader, self.records, seconds=self.watch)

    def hear(self, series, unit="v3-meat", first_sq=0, at_ms=READY_MS):
        self.store.append(samples(series, unit, first_sq=first_sq), received_ms=at_ms)

    def work(self, now_ms=READY_MS, most=40):
        """Give it its turn until nothing waits; return what it worked on."""
        changes = self.reader.changes_after(self.position)
        self.position = changes[-1].change_no if changes else self.position
        self.keeper.touched(changes, self.records.fleet())
        done = []
        for _ in range(most):
            self.watch.now_s += 1000.0
            unit = self.keeper.step(self.records.fleet(), now_ms)
            if unit is None:
                return done
            done.append(unit)
        raise AssertionError("it never came to rest")

    def days(self, unit="v3-meat"):
        return self.records.health_days(unit, 0, READY_MS)


@pytest.fixture
def house(tmp_path):
    found = House(tmp_path)
    yield found
    found.records.close()
    found.reader.close()
    found.store.close()


def test_days_that_are_over_are_worked_out_and_today_is_not(house):
    house.hear(THREE)
    house.work()
    assert [day.day for day in house.days()] == [FIRST_MS + n * DAY_MS for n in range(3)]
    assert all(day.capacity_ratio_k == pytest.approx(100.0, rel=0.06) for day in house.days())
    assert house.work() == []


def test_a_day_waits_until_its_last_hours_can_be_judged(house):
    house.hear(THREE)
    house.work(now_ms=FIRST_MS + 2 * DAY_MS + 4 * HOUR_MS)
    assert len(house.days()) == 1
    house.work(now_ms=FIRST_MS + 2 * DAY_MS + 5 * HOUR_MS)
    assert len(house.days()) == 2


def test_late_samples_take_back_their_day_and_lead_to_what_timely_ones_would_have(house, tmp_path):
    house.hear(part(THREE, ~FROM_NOON))
    house.work()
    gap = house.days()[1]
    assert gap.hours_seen < 22.1
    first = int(np.count_nonzero(~FROM_NOON))
    house.hear(part(THREE, FROM_NOON), first_sq=first)
    house.work()
    (tmp_path / "timely").mkdir()
    timely = House(tmp_path / "timely")
    timely.hear(THREE)
    timely.work()
    assert house.days() == timely.days()
    assert house.days()[1].hours_seen == 24.0


def test_a_unit_whose_past_is_arriving_is_left_alone_for_a_while(house):
    house.hear(part(THREE, ~FROM_NOON))
    house.work()
    house.hear(part(THREE, FROM_NOON), first_sq=int(np.count_nonzero(~FROM_NOON)))
    house.keeper.touched(house.reader.changes_after(house.position), house.records.fleet())
    assert house.keeper.step(house.records.fleet(), READY_MS) is None
    house.watch.now_s += QUIET_S + 1.0
    assert house.keeper.step(house.records.fleet(), READY_MS) == "v3-meat"


def test_what_was_taken_back_is_still_to_do_after_a_restart(house):
    house.hear(part(THREE, ~FROM_NOON))
    house.work()
    house.hear(part(THREE, FROM_NOON), first_sq=int(np.count_nonzero(~FROM_NOON)))
    house.keeper.touched(house.reader.changes_after(house.position), house.records.fleet())
    house.keeper = HealthDays(house.reader, house.records, seconds=house.watch)
    house.position = house.reader.changes_after(0)[-1].change_no
    house.work()
    assert house.days()[1].hours_seen == 24.0


def test_air_comes_from_the_unit_beside_and_goes_with_its_late_samples(house):
    everything = THREE.t_ms >= FIRST_MS
    house.hear(part(THREE, everything, drop=("ambient_c",)))
    house.work()
    assert {day.ambient_from for day in house.days()} == {None}
    house.hear(THREE, unit="v3-ice")
    house.work()
    assert {day.ambient_from for day in house.days("v3-ice")} == {"measured"}
    late = Series(
        np.array([FIRST_MS + 30_000]), {"ambient_c": np.array([25.0]), "compressor_on": np.zeros(1)}
    )
    house.hear(late, unit="v3-ice", first_sq=10_000)
    house.work()
    assert {day.ambient_from for day in house.days()} == {"neighbour"}


def test_a_day_is_worked_out_as_the_unit_was_described_on_it(house):
    house.hear(THREE)
    fleet = house.records.fleet()
    units = tuple(u.model_copy(update={"set_point_c": 5.0}) if u.id == "v3-meat" else u for u in fleet.units)
    anew_ms = FIRST_MS + DAY_MS + 10 * HOUR_MS
    house.records.apply_fleet(fleet.model_copy(update={"units": units}), who="operator", now_ms=anew_ms)
    house.work()
    assert [day.set_point_c for day in house.days()] == [2.0, 5.0, 5.0]
    words = [day.measured_on for day in house.days()]
    assert [a == b for a, b in pairwise(words)] == [False, True]


def test_it_takes_no_more_than_its_share_of_the_time(house):
    house.hear(THREE)
    known = house.records.fleet()
    slow = house.keeper._work_out

    def takes_a_second(*asked):
        house.watch.now_s += 1.0
        slow(*asked)

    house.keeper._work_out = takes_a_second
    assert house.keeper.step(known, READY_MS) == "v3-meat"
    house.watch.now_s += 8.9
    assert house.keeper.step(known, READY_MS) is None
    house.watch.now_s += 0.2
    assert house.keeper.step(known, READY_MS) is not None


def test_a_unit_that_cannot_be_worked_out_holds_up_no_other(house, monkeypatch):
    house.hear(THREE)
    house.hear(THREE, unit="v3-ice")
    real = healthdays.health_days

    def breaks(series, settings, **asked):
        if settings.unit.id == "v3-ice":
            raise ZeroDivisionError
        return real(series, settings, **asked)

    monkeypatch.setattr(healthdays, "health_days", breaks)
    for _ in range(20):
        house.watch.now_s += 100.0
        house.keeper.step(house.records.fleet(), READY_MS)
    assert len(house.days()) == 3
    assert house.days("v3-ice") == ()


def test_what_the_days_say_stands_in_the_analysis_and_on_the_card_beside_what_stood_there(house):
    house.hear(THREE)
    house.work()
    row = Evidence(quantity="slope", value=2.0, operator=">", threshold=1.0, unit="1/K", source="own days")
    short, long = (
        Finding(finding=words, since=FIRST_MS, evidence=(row,), check="look", due=None)
        for words in ("of the last week", "of the last months")
    )
    house.records.write_findings("v3-meat", [long], [], [], found_ms=FIRST_MS)
    keeper = HealthDays(house.reader, house.records, seconds=house.watch)
    analysis = made.analysis().model_copy(update={"service": (short,)})
    analysis, card = keeper.joined(analysis, made.card())
    assert [found.finding for found in analysis.service] == ["of the last week", "of the last months"]
    assert card.service == analysis.service
    assert keeper.joined(analysis, made.card("v3-ice")) == (analysis, made.card("v3-ice"))


def test_the_days_are_looked_at_for_change_once_they_are_complete_and_again_each_day(house):
    house.hear(THREE)
    house.work(now_ms=FIRST_MS + 2 * DAY_MS + 5 * HOUR_MS)
    assert house.records.health_states()["v3-meat"].found_ms == FIRST_MS + 2 * DAY_MS
    house.work()
    assert house.records.health_states()["v3-meat"].found_ms == FIRST_MS + 3 * DAY_MS


def test_what_the_last_weeks_come_to_is_kept_when_a_day_is_over(house):
    end_ms = FIRST_MS + 3 * DAY_MS
    days = [
        HealthDay(
            day=end_ms - n * DAY_MS,
            measured_on="here",
            hours_seen=24.0,
            starts_per_h=1.5,
            cutouts=float(n == 1),
        )
        for n in range(20, 0, -1)
    ]
    house.records.write_health("v3-meat", days, start_ms=days[0].day, end_ms=end_ms)
    house.keeper = HealthDays(house.reader, house.records, seconds=house.watch)
    assert house.records.health_middles() == {}
    assert house.work() == ["v3-meat"]
    assert house.records.health_middles() == {
        "v3-meat": [Middle("cutouts_a_month", 1.5, 20, None), Middle("starts_per_h", 1.5, 20, None)]
    }
