"""What a step does first, and how long it looks at everything."""

import pytest

from services.monitor.turns import BATCH, LOOKS_S, Pace, Plan
from services.monitor.worker import Monitor
from tests.helpers import made
from tests.helpers.house import House, minutes, sample
from tests.helpers.made import NOON_MS

COLD = 2.0


class Slow:
    """A clock for which every look takes longer than a step has for them."""

    now_s = 0.0

    def __call__(self):
        self.now_s += 2 * LOOKS_S
        return self.now_s


@pytest.fixture
def house(tmp_path):
    opened = House(tmp_path)
    yield opened
    opened.close()


def test_what_may_turn_a_verdict_comes_first_and_one_in_four_has_waited_its_minute():
    plan = Plan(at_once=["a", "b", "c", "d"], in_turn=["x", "y", "z"])
    assert plan.looks(["q"]) == ["q", "a", "b", "x", "c", "d", "y", "z"]
    assert Plan(in_turn=["x", "y"]).looks([]) == ["x", "y"]
    assert Plan(at_once=["a"]).looks([]) == ["a"]


def test_a_step_judges_one_unit_at_least_and_no_more_than_a_batch():
    pace = Pace(Slow())
    pace.begin()
    assert [pace.is_over(0), pace.is_over(1)] == [False, True]
    pace.ended(1)
    assert pace.room == 1
    quick = Pace(lambda: 0.0)
    quick.begin()
    assert [quick.is_over(BATCH - 1), quick.is_over(BATCH)] == [False, True]


def test_room_grows_again_one_by_one_while_time_is_left():
    pace = Pace(lambda: 0.0)
    pace.room = BATCH - 1
    pace.begin()
    rooms = []
    for _ in range(2):
        pace.ended(3)
        rooms.append(pace.room)
    assert rooms == [BATCH, BATCH]


def test_slow_looks_never_keep_live_samples_waiting_and_all_units_get_their_turn(house):
    fleet = made.fleet()
    others = tuple(fleet.units[1].model_copy(update={"id": f"unit-{k:03}"}) for k in range(3))
    fleet = fleet.model_copy(update={"units": (fleet.units[0], *others)})
    house.records.apply_fleet(fleet, who="operator", now_ms=NOON_MS)
    house.hear(minutes([COLD] * 300, end_ms=NOON_MS - 500), at_ms=NOON_MS)
    monitor = Monitor(house.reader, house.records, seconds=Slow())
    judged = [monitor.step(NOON_MS).judged for _ in range(4)]
    assert sorted(judged) == [("unit-000",), ("unit-001",), ("unit-002",), ("v3-meat",)]
    turns = []
    for k in range(1, 5):
        now_ms = NOON_MS + 60_000 + k * 2_000
        house.hear([sample(299 + k, now_ms - 200, COLD)], at_ms=now_ms)
        step = monitor.step(now_ms)
        assert house.card().observed_at == now_ms - 200
        turns += step.judged[step.carried :]
        assert step.more is (k < 4)
    assert sorted(turns) == ["unit-000", "unit-001", "unit-002", "v3-meat"]
