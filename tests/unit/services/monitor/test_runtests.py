"""Tests of units as the monitor follows them, on a real store and real records."""

import numpy as np
import pytest

from services.domain import Fleet, Person, RunTestAdded, RunTestBegun, Site, Unit
from services.errors import Refused
from services.monitor.runtests import LATE_MS, LOOK_EVERY_MS, RunTests
from services.records.facade import Records
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import Sample
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS
from tests.helpers.benched import SHUT, START_MS, Block, played, settings

WHO = "Thandi M."
NAMES = {
    "cabinet_c": "cabinet",
    "compressor_on": "compressor",
    "battery_v": "battery",
    "ambient_c": "ambient",
}
TWELVE = START_MS + 12 * HOUR_MS


def bench_fleet(*plates):
    units = [settings().unit.model_copy(update={"state": "bench", "plate": "Model A, 17"})]
    units += [Unit(id=f"other-{k}", kind="fridge", plate=plate) for k, plate in enumerate(plates)]
    return Fleet(units=tuple(units), people=(Person(name=WHO, role="workshop"),))


class Workshop:
    def __init__(self, folder):
        self.store, self.reader = SqliteStore(folder / "telemetry.db"), SqliteReader(folder / "telemetry.db")
        self.records = Records(folder / "records.db")
        self.records.apply_fleet(bench_fleet(), who="operator", now_ms=START_MS - 60 * DAY_MS)
        self.follows = RunTests(self.reader, self.records)
        self.boot = 0

    def begin(self, kind="run", **words):
        begun = RunTestBegun(person=WHO, unit="bench-1", kind=kind, words=SHUT.model_copy(update=words))
        return self.records.begin_run_test(begun, now_ms=START_MS)

    def hear(self, hours, *, since_ms=START_MS, **story):
        """Store a reading of every minute."""
        series, self.boot = played(hours, **story), self.boot + 1
        kept = range(len(series))
        values = [{NAMES[c]: v[k] for c, v in series.columns.items()} for k in kept]
        for each in values:
            each["compressor"] = bool(each["compressor"])
        at = [int(series.t_ms[k]) - START_MS + since_ms for k in kept]
        samples = [
            Sample(
                "bench-1",
                self.boot,
                n,
                t,
                2,
                {c: v if c == "compressor" else float(v) for c, v in told.items()},
            )
            for n, (t, told) in enumerate(zip(at, values, strict=True))
        ]
        self.store.append(samples, received_ms=at[-1])

    def say(self, number, kind, at_ms, **more):
        self.records.say_of_run_test(number, RunTestAdded(person=WHO, kind=kind, **more), now_ms=at_ms)


@pytest.fixture
def shop(tmp_path):
    found = Workshop(tmp_path)
    yield found
    found.store.close()
    found.reader.close()
    found.records.close()


def test_a_test_is_told_while_it_runs_and_concluded_after_twelve_hours(shop):
    number = shop.begin(serial="17-A", technician="B. Mwale")
    shop.hear(12)
    assert shop.follows.step(START_MS + 3 * HOUR_MS) == ()
    so_far = shop.records.run_test(number)
    assert (so_far.concluded, so_far.result.verdict) == (None, "running")
    assert shop.follows.step(TWELVE) == (number,)
    done = shop.records.run_test(number)
    assert (done.concluded, done.result.verdict, done.result.end) == (TWELVE, "pass", TWELVE)
    assert done.result.words.serial == "17-A"
    assert shop.records.run_tests(running=True) == []
    assert shop.follows.step(TWELVE + HOUR_MS) == ()


def test_ended_by_hand_it_is_not_valid_and_says_why(shop):
    number = shop.begin()
    shop.hear(5)
    shop.say(number, "stopped", START_MS + 4 * HOUR_MS, note="needed elsewhere")
    assert shop.follows.step(START_MS + 4 * HOUR_MS + MINUTE_MS) == (number,)
    done = shop.records.run_test(number)
    assert (done.result.verdict, done.result.because) == ("not_valid", ("length_h",))
    assert done.said[0].note == "needed elsewhere"
    with pytest.raises(Refused, match="over"):
        shop.say(number, "note", TWELVE, note="too late")


def test_what_is_said_moves_it_at_once_and_silence_ends_in_not_valid(shop):
    number = shop.begin(lid_shut=None)
    shop.hear(4)
    shop.follows.step(START_MS + 2 * HOUR_MS)
    assert shop.records.run_test(number).result.line("lid_open_min").state == "not_measured"
    shop.say(number, "lid", START_MS + 2 * HOUR_MS, value=1.0)
    shop.follows.step(START_MS + 2 * HOUR_MS + LOOK_EVERY_MS // 2)
    assert shop.records.run_test(number).result.line("lid_open_min").state == "said"
    assert shop.follows.step(TWELVE + MINUTE_MS) == ()
    assert shop.follows.step(TWELVE + LATE_MS) == (number,)
    assert "missing_share" in shop.records.run_test(number).result.because


def test_its_own_days_and_other_units_of_its_model_are_held_against_it(shop):
    shop.records.apply_fleet(
        bench_fleet("model a, 18", "Model A, 19", "MODEL A, 20", "Model B, 1"),
        who="operator",
        now_ms=START_MS - 50 * DAY_MS,
    )
    slope = 0.64 / 60
    for k in range(4):
        begun = RunTestBegun(person=WHO, unit=f"other-{k}", kind="run")
        other = shop.records.begin_run_test(begun, now_ms=START_MS - 40 * DAY_MS)
        result = _result(slope if k < 3 else 9.0)
        shop.records.conclude_run_test(other, result, now_ms=START_MS - 39 * DAY_MS)
    shop.hear(36, since_ms=START_MS - 2 * DAY_MS, begin_c=2.0)
    number = shop.begin()
    shop.hear(12, block=Block(ua_w_per_k=0.8))
    shop.follows.step(TWELVE)
    done = shop.records.run_test(number).result
    assert (done.verdict, set(done.because)) == ("fail", {"slope", "slope_model"})
    assert done.line("slope_model").at_most == pytest.approx(1.15 * slope)
    assert done.stretches_before >= 4


def test_a_neighbour_lends_its_air_for_the_own_days_of_a_unit_without(shop):
    unit = shop.records.fleet().units[0]
    car = Site(id="car", name="Car", kind="vehicle")
    fleet = Fleet(
        sites=(car,),
        units=(unit.model_copy(update={"site": "car"}), Unit(id="mate", kind="fridge", site="car")),
        people=(Person(name=WHO, role="workshop"),),
    )
    shop.records.apply_fleet(fleet, who="operator", now_ms=START_MS - 50 * DAY_MS)
    shop.hear(36, since_ms=START_MS - 2 * DAY_MS, begin_c=2.0, ambient_c=None)
    begin_ms = START_MS - 2 * DAY_MS
    air = [Sample("mate", 1, n, begin_ms + n * 10 * MINUTE_MS, 2, {"ambient": 30.0}) for n in range(36 * 6)]
    shop.store.append(air, received_ms=START_MS)
    number = shop.begin(ambient_by_hand_c=(30.0, 30.0))
    shop.hear(12, block=Block(ua_w_per_k=0.9), ambient_c=None)
    shop.follows.step(TWELVE)
    done = shop.records.run_test(number).result
    assert (done.verdict, done.because) == ("fail", ("slope",))
    assert "another unit of its place" in done.line("slope").source


def _result(slope):
    from services.analytics.service.runtest import run_test  # noqa: PLC0415 - only here
    from services.analytics.service.runtest_lines import Asked  # noqa: PLC0415

    found = run_test(played(12), settings(), Asked(START_MS, TWELVE, SHUT))
    lines = tuple(
        line.model_copy(update={"value": slope}) if line.key == "slope" else line for line in found.lines
    )
    return found.model_copy(update={"lines": lines})


def test_the_last_passed_test_of_the_unit_itself_is_held_against_it(shop):
    begun = RunTestBegun(person=WHO, unit="bench-1", kind="run")
    for verdict, slope in (("pass", 0.64 / 60), ("fail", 9.0)):
        earlier = shop.records.begin_run_test(begun, now_ms=START_MS - 40 * DAY_MS)
        result = _result(slope).model_copy(update={"verdict": verdict})
        shop.records.conclude_run_test(earlier, result, now_ms=START_MS - 39 * DAY_MS)
    number = shop.begin()
    shop.hear(12, block=Block(ua_w_per_k=0.8))
    shop.follows.step(TWELVE)
    done = shop.records.run_test(number).result
    assert (done.verdict, done.because) == ("fail", ("slope",))


def test_a_hold_over_ends_by_itself_once_the_limit_is_passed_and_the_next_is_held_against_it(shop):
    first = shop.begin("hold_over")
    shop.hear(3, begin_c=2.0, off_from_h=0.0)
    assert shop.follows.step(START_MS + 3 * HOUR_MS) == (first,)
    done = shop.records.run_test(first).result
    assert done.verdict == "measured"
    assert done.end < START_MS + HOUR_MS
    later = START_MS + DAY_MS
    begun = RunTestBegun(person=WHO, unit="bench-1", kind="hold_over", words=SHUT)
    second = shop.records.begin_run_test(begun, now_ms=later)
    shop.hear(3, since_ms=later, begin_c=2.0, off_from_h=0.0, block=Block(ua_w_per_k=0.9))
    assert shop.follows.step(later + 3 * HOUR_MS) == (second,)
    found = shop.records.run_test(second).result
    assert (found.verdict, found.because) == ("fail", ("tau_ratio",))


def test_a_set_point_described_anew_meanwhile_is_noticed(shop):
    number = shop.begin()
    shop.hear(12)
    unit = bench_fleet().units[0].model_copy(update={"set_point_c": 3.0})
    changed = bench_fleet().model_copy(update={"units": (unit,)})
    shop.records.apply_fleet(changed, who="operator", now_ms=START_MS + HOUR_MS)
    shop.follows.step(TWELVE)
    done = shop.records.run_test(number).result
    assert (done.verdict, done.because) == ("not_valid", ("set_point_moved_k",))
    assert done.set_point_c == 2.0


def test_one_test_that_cannot_be_looked_at_does_not_hold_up_another(shop, monkeypatch):
    number = shop.begin()
    shop.hear(12)
    real = shop.reader.read
    monkeypatch.setattr(shop.reader, "read", lambda *_: 1 / 0)
    assert shop.follows.step(TWELVE) == ()
    monkeypatch.setattr(shop.reader, "read", real)
    assert shop.follows.step(TWELVE + LOOK_EVERY_MS) == (number,)
    assert np.isfinite(shop.records.run_test(number).result.line("mean_c").value)


def test_two_tests_of_one_unit_at_a_time_and_tests_of_what_stands_switched_off_are_refused(shop):
    shop.begin()
    with pytest.raises(Refused, match="runs already"):
        shop.begin()
    shop.records.say_unit_state("bench-1", "off", WHO, START_MS)
    with pytest.raises(Refused, match="on the bench or in use"):
        shop.begin("hold_over")
    with pytest.raises(Refused, match="no test 99"):
        shop.say(99, "note", START_MS, note="x")
    begun = RunTestBegun(person=WHO, unit="bench-1", kind="run", job=5)
    shop.records.say_unit_state("bench-1", "bench", WHO, START_MS + 1)
    with pytest.raises(Refused, match="Job 5"):
        shop.records.begin_run_test(begun, now_ms=START_MS + 2)
