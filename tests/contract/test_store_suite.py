"""What every telemetry store must do, whichever database is behind it."""

import json
import subprocess
import sys
from dataclasses import asdict

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deploy.hourrule import MARKS_C, mark_for
from services.store import Batch, Message, Reject, Skipped, UnitStatus, WaitingPack
from services.store.influx import InfluxReader, InfluxStore
from services.store.sealing import LOOK_EVERY_MS
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import Rejected, Sample, milli_of
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, Span
from tests.helpers.hour_rule import RuleFor
from tests.helpers.influx_server import InfluxServers

UNIT = "v3-meat"
START_MS = 1_760_000_000_000
EVER = (0, 2**62)
RULE = RuleFor(15.0)


class SqliteFactory:
    """Opens stores and readers on one file."""

    def __init__(self, folder, _server):
        self.path = folder / "telemetry.db"
        self.opened = []

    def store(self):
        self.opened.append(SqliteStore(self.path, rule=RULE))
        return self.opened[-1]

    def reader(self):
        self.opened.append(SqliteReader(self.path, rule=RULE))
        return self.opened[-1]

    def elsewhere(self):
        """Return a program's first lines, which open a reader, and what the program is started with."""
        lines = "import sys; from services.store.sqlite import SqliteReader; r = SqliteReader(sys.argv[1]);"
        return lines, [str(self.path)]

    def close(self):
        for each in self.opened:
            each.close()


class EagerlySealed(SqliteStore):
    """A store that seals every sample whose time is settled as soon as it is there."""

    _moment_ms = 4_000_000_000_000

    def commit(self, batch, *, received_ms):
        done = super().commit(batch, received_ms=received_ms)
        self._moment_ms += LOOK_EVERY_MS
        while self.tidy(self._moment_ms):
            pass
        return done


class SealedFactory(SqliteFactory):
    """As above, but nothing stays in rows that can be sealed."""

    def store(self):
        self.opened.append(EagerlySealed(self.path, rule=RULE))
        return self.opened[-1]


class InfluxFactory(SqliteFactory):
    """Opens stores and readers on one bucket and ledger; the bucket is as good as empty."""

    def __init__(self, folder, server):
        super().__init__(folder, server)
        self.access = server.empty_bucket()

    def store(self):
        self.opened.append(InfluxStore(self.access, self.path, rule=RULE))
        return self.opened[-1]

    def reader(self):
        self.opened.append(InfluxReader(self.access, self.path, rule=RULE))
        return self.opened[-1]

    def elsewhere(self):
        lines = (
            "import sys, json; from services.store.influx import InfluxReader;"
            "from services.store.influx_access import InfluxAccess;"
            "r = InfluxReader(InfluxAccess(**json.loads(sys.argv[2])), sys.argv[1]);"
        )
        return lines, [str(self.path), json.dumps(asdict(self.access))]


FACTORIES = {"sqlite": SqliteFactory, "sealed": SealedFactory, "influx": InfluxFactory}
KINDS = ["sqlite", "sealed", pytest.param("influx", marks=pytest.mark.integration)]


@pytest.fixture(scope="module")
def influx(tmp_path_factory):
    """A server for the whole module, started when first asked for."""
    servers = InfluxServers(tmp_path_factory.mktemp("influx"))
    yield servers
    servers.stop()


@pytest.fixture(params=KINDS)
def factory(request, tmp_path, influx):
    made = FACTORIES[request.param](tmp_path, influx)
    yield made
    made.close()


def sample(sq, *, bid=1, t_ms=None, tq=2, up_s=None, unit=UNIT, **values):
    t_ms = START_MS + sq * 60_000 if t_ms is None else t_ms
    return Sample(unit, bid, sq, t_ms, tq, values or {"cabinet": 3.0 + sq / 10, "compressor": True}, up_s)


def test_a_reader_in_another_process_sees_what_was_appended(factory):
    store = factory.store()
    done = store.append([sample(0), sample(1, battery=12.345)], received_ms=7)
    assert (done.stored, done.duplicates, done.conflicts) == (2, 0, 0)
    opening, arguments = factory.elsewhere()
    script = opening + (
        "s = r.read('v3-meat', 0, 2**62); import json;"
        "print(json.dumps([s.t_ms.tolist(), s.numbers('battery_v')[1], r.marks('v3-meat')]))"
    )
    seen = subprocess.run(
        [sys.executable, "-c", script, *arguments], capture_output=True, text=True, check=True
    )
    assert json.loads(seen.stdout) == [[START_MS, START_MS + 60_000], 12.345, {"1": 1}]


def test_every_kind_of_channel_comes_back_as_it_went_in(factory):
    store = factory.store()
    values = {
        "cabinet": -0.0005,
        "battery": 12.0,
        "compressor": False,
        "lid": True,
        "fault": "low_voltage",
        "humidity": 55.25,
        "note": "x",
    }
    store.append([sample(0, **values), sample(1, cabinet=2.0)], received_ms=7)
    series = factory.reader().read(UNIT, *EVER)
    assert series.numbers("cabinet_c").tolist() == [milli_of(-0.0005) / 1000.0, 2.0]
    assert series.numbers("compressor_on")[0] == 0.0
    assert np.isnan(series.numbers("compressor_on")[1])
    assert series.numbers("lid_open")[0] == 1.0
    assert series.texts("fault").tolist() == ["low_voltage", None]
    latest = store.latest(START_MS - 290_000)[UNIT]
    assert latest.values == {
        "cabinet_c": 0.0,
        "battery_v": 12.0,
        "compressor_on": False,
        "lid_open": True,
        "fault": "low_voltage",
        "humidity": 55.25,
        "note": "x",
    }
    assert latest.received_ms == 7


def test_reading_takes_the_start_and_leaves_the_end(factory):
    store = factory.store()
    store.append([sample(sq) for sq in range(5)], received_ms=7)
    series = store.read(UNIT, START_MS + 60_000, START_MS + 180_000, ["cabinet_c"])
    assert series.t_ms.tolist() == [START_MS + 60_000, START_MS + 120_000]
    assert set(series.columns) == {"cabinet_c"}
    assert len(store.read("nobody", *EVER)) == 0
    assert store.span_of(UNIT) == (START_MS, START_MS + 240_000)
    assert store.span_of("nobody") is None


def test_two_identities_at_one_time_both_stay_in_order_of_boot_and_number(factory):
    store = factory.store()
    at = START_MS
    store.append([sample(5, t_ms=at, cabinet=5.0), sample(0, bid=2, t_ms=at, cabinet=20.0)], received_ms=7)
    store.append([sample(4, t_ms=at, cabinet=4.0)], received_ms=7)
    assert store.read(UNIT, *EVER).numbers("cabinet_c").tolist() == [4.0, 5.0, 20.0]


def test_the_same_sample_again_is_dropped_and_changes_nothing(factory):
    store = factory.store()
    first = store.append([sample(0), sample(1)], received_ms=7)
    again = store.append([sample(1), sample(0)], received_ms=9)
    assert (again.change_no, again.stored, again.duplicates) == (None, 0, 2)
    twice = store.append([sample(2), sample(2)], received_ms=9)
    assert (twice.stored, twice.duplicates) == (1, 1)
    assert [change.change_no for change in store.changes_after(first.change_no)] == [twice.change_no]


def test_other_values_under_a_taken_identity_go_to_quarantine_and_count_as_held(factory):
    store = factory.store()
    store.append([sample(0, cabinet=3.0)], received_ms=7)
    done = store.append([sample(0, cabinet=9.0), sample(1, cabinet=4.0)], received_ms=8)
    assert (done.stored, done.conflicts) == (1, 1)
    assert store.read(UNIT, *EVER).numbers("cabinet_c").tolist() == [3.0, 4.0], "the first stays"
    kept = store.quarantine()[0]
    assert (kept.rejected.reason, kept.rejected.bid, kept.rejected.sq) == ("identity_conflict", 1, 0)
    assert json.loads(kept.payload)["values"] == {"cabinet": 9.0}
    assert store.marks(UNIT) == {1: 1}
    within = store.append([sample(2, cabinet=1.0), sample(2, cabinet=2.0)], received_ms=8)
    assert (within.stored, within.conflicts) == (1, 1)


def test_another_time_under_a_taken_identity_is_a_conflict_unless_it_was_provisional(factory):
    store = factory.store()
    store.append([sample(0, cabinet=3.0)], received_ms=7)
    assert store.append([sample(0, t_ms=START_MS + 1, cabinet=3.0)], received_ms=8).conflicts == 1
    store.append([sample(1, tq=0, up_s=60.0, t_ms=50_000, cabinet=3.0)], received_ms=8)
    assert store.append([sample(1, tq=0, up_s=60.0, t_ms=50_900, cabinet=3.0)], received_ms=9).duplicates == 1


def test_every_append_that_stores_leaves_a_change_per_unit(factory):
    store = factory.store()
    store.append([sample(0), sample(3), sample(0, unit="v3-fish")], received_ms=7)
    changes = factory.reader().changes_after(0)
    assert {(each.unit, each.t_min_ms, each.t_max_ms) for each in changes} == {
        (UNIT, START_MS, START_MS + 180_000),
        ("v3-fish", START_MS, START_MS),
    }
    assert store.changes_after(changes[0].change_no, limit=5) == [changes[1]]


def test_the_latest_ignores_the_future_and_older_backlog(factory):
    store = factory.store()
    now_ms = START_MS + 600_000
    store.append([sample(10), sample(15, cabinet=15.0), sample(16, cabinet=16.0)], received_ms=7)
    store.append([sample(2)], received_ms=9)
    assert store.latest(now_ms)[UNIT].t_ms == START_MS + 900_000, "five minutes ahead still count"
    assert store.latest(now_ms)[UNIT].values == {"cabinet_c": 15.0}
    assert store.span_of(UNIT)[1] == START_MS + 960_000, "the future is kept all the same"


def test_marks_and_newest_numbers_tell_of_gaps(factory):
    store = factory.store()
    store.append([sample(2), sample(3), sample(0, bid=2)], received_ms=7)
    assert store.marks(UNIT) == {1: -1, 2: 0}
    assert store.newest_sq(UNIT) == {1: 3, 2: 0}
    assert store.gaps() == {(UNIT, 1): [(0, 1)]}
    store.append([sample(0)], received_ms=7)
    assert store.marks(UNIT)[1] == 0
    store.append([sample(1)], received_ms=7)
    assert factory.reader().marks(UNIT) == {1: 3, 2: 0}
    assert store.gaps() == {}


def test_a_reopened_store_goes_on_where_it_was(factory):
    store = factory.store()
    store.append([sample(0), sample(2), sample(5)], received_ms=7)
    store.declare_skipped(UNIT, Skipped(1, 3, 3, "gone"))
    store.close()
    again = factory.store()
    assert again.append([sample(2)], received_ms=8).duplicates == 1
    assert again.gaps() == {(UNIT, 1): [(1, 1), (4, 4)]}
    again.append([sample(1)], received_ms=8)
    assert again.marks(UNIT) == {1: 3}


def test_a_stretch_declared_missing_counts_as_held_and_reopens_its_time(factory):
    store = factory.store()
    store.append([sample(0), sample(4)], received_ms=7)
    before = store.changes_after(0)[-1].change_no
    store.declare_skipped(UNIT, Skipped(1, 1, 3, "gone"))
    assert store.marks(UNIT) == {1: 4}
    assert store.skipped(UNIT) == [Skipped(1, 1, 3, "gone")]
    reopened = store.changes_after(before)
    assert [(c.t_min_ms, c.t_max_ms) for c in reopened] == [(START_MS, START_MS + 240_000)]
    assert store.append([sample(2)], received_ms=8).stored == 1, "it may turn up after all"
    assert store.append([sample(2)], received_ms=8).duplicates == 1


def test_times_from_before_the_clock_was_set_are_corrected_and_both_windows_reopened(factory):
    store = factory.store()
    store.append(
        [sample(0, tq=0, up_s=10.0, t_ms=99_000), sample(1, tq=0, up_s=70.0, t_ms=159_000)], received_ms=7
    )
    before = store.changes_after(0)[-1].change_no
    store.append([sample(2, t_ms=START_MS + 130_000, up_s=130.0)], received_ms=8)
    assert store.read(UNIT, *EVER).t_ms.tolist() == [START_MS + 10_000, START_MS + 70_000, START_MS + 130_000]
    windows = {(c.t_min_ms, c.t_max_ms) for c in store.changes_after(before)}
    assert (99_000, 159_000) in windows
    assert (START_MS + 10_000, START_MS + 70_000) in windows
    store.append([sample(3, tq=0, up_s=5.0, t_ms=1_000)], received_ms=9)
    assert store.read(UNIT, *EVER).t_ms[0] == START_MS + 5_000, "later ones are placed at once"
    other_boot = sample(0, bid=2, tq=0, up_s=5.0, t_ms=1_000)
    store.append([other_boot], received_ms=9)
    assert store.read(UNIT, *EVER).t_ms[0] == 1_000, "another boot has its own start"


def test_a_time_nobody_knows_joins_no_reading_until_corrected(factory):
    store = factory.store()
    store.append([sample(0, tq=-1, up_s=10.0, t_ms=START_MS)], received_ms=7)
    assert len(store.read(UNIT, *EVER)) == 0
    assert store.latest(START_MS) == {}
    assert store.span_of(UNIT) is None
    assert store.marks(UNIT) == {1: 0}, "it is durable all the same"
    store.append([sample(1, t_ms=START_MS + 500_000, up_s=60.0)], received_ms=8)
    assert store.read(UNIT, *EVER).t_ms.tolist() == [START_MS + 450_000, START_MS + 500_000]


def test_missing_stretches_run_from_the_sample_before_to_the_one_after(factory):
    store = factory.store()
    store.append([sample(0, bid=1), sample(1, bid=1), sample(4, bid=1)], received_ms=7)
    store.append([sample(22, bid=2), sample(21, bid=2)], received_ms=7)
    at = [START_MS + sq * 60_000 for sq in range(30)]
    assert factory.reader().missing_spans(UNIT) == [Span(at[1], at[4]), Span(at[4], at[21])]
    assert factory.reader().backlogged([UNIT, "nobody"]) == {UNIT}
    assert store.backlogged(["nobody"]) == frozenset()
    store.declare_skipped(UNIT, Skipped(2, 0, 18, "gone"))
    assert store.missing_spans(UNIT)[1] == Span(at[4], at[21]), "19 and 20 may still come"
    store.append([sample(20, bid=2), sample(19, bid=2), sample(3, bid=1)], received_ms=7)
    assert store.missing_spans(UNIT) == [Span(at[1], at[3])]
    store.append([sample(2, bid=1)], received_ms=7)
    assert store.missing_spans(UNIT) == []
    assert store.backlogged([UNIT]) == frozenset()


def test_words_of_any_kind_come_back_as_they_were(factory):
    store = factory.store()
    odd = ['say "no"', "back\\slash\\", "two\nlines", "", "a,b=c d", "kühl ❄"]
    store.append([sample(sq, fault=text, note=text) for sq, text in enumerate(odd)], received_ms=7)
    assert store.read(UNIT, *EVER).texts("fault").tolist() == odd
    assert store.latest(START_MS)[UNIT].values == {"fault": odd[5], "note": odd[5]}


def test_times_before_1970_and_far_ahead_are_kept(factory):
    store = factory.store()
    store.append([sample(0, t_ms=-1_500), sample(1, t_ms=9_000_000_000_000)], received_ms=7)
    assert store.read(UNIT, -(2**62), 2**62).t_ms.tolist() == [-1_500, 9_000_000_000_000]
    assert store.span_of(UNIT) == (-1_500, 9_000_000_000_000)
    assert store.append([sample(0, t_ms=-1_500)], received_ms=8).duplicates == 1


def test_imported_logs_are_known_by_their_times_and_have_no_gaps(factory):
    store = factory.store()
    rows = [sample(t, bid=-1, t_ms=t, cabinet=4.0) for t in (START_MS + 5_000, START_MS)]
    assert store.append(rows, received_ms=7).stored == 2
    assert store.append([*rows, sample(START_MS + 1, bid=-1, t_ms=START_MS + 1)], received_ms=8).stored == 1
    assert store.append([sample(START_MS, bid=-1, t_ms=START_MS, cabinet=5.0)], received_ms=8).conflicts == 1
    assert store.marks(UNIT) == {}
    assert store.gaps() == {}


def test_rejects_commit_with_the_samples(factory):
    store = factory.store()
    reject = Reject(Rejected("wrong_unit", "volts in degrees", UNIT, 1, 0, "battery"), "t", b"\x00\xff", 7)
    store.append([sample(0)], received_ms=7, rejects=[reject])
    assert store.quarantine_count() == 1
    assert factory.reader().quarantine() == [reject]


def test_a_batch_that_cannot_be_written_leaves_nothing_behind(factory):
    store = factory.store()
    store.append([sample(0)], received_ms=7)
    too_large = sample(2, cabinet=1e300)
    with pytest.raises(OverflowError):
        store.commit(Batch(samples=[sample(1), too_large]), received_ms=8)
    assert store.marks(UNIT) == {1: 0}
    assert store.append([sample(1)], received_ms=9).stored == 1, "memory forgot it too"
    assert store.marks(UNIT) == {1: 1}


def test_packs_of_unknown_units_wait_in_order_once_each_and_can_be_forgotten(factory):
    store = factory.store()
    packs = [WaitingPack(0, "v9-new", f"topic-{n}", b"payload", 100 + n, None) for n in range(4)]
    store.commit(Batch(waiting=packs), received_ms=7)
    store.commit(Batch(waiting=packs[:2]), received_ms=8)
    (knocking,) = factory.reader().waiting()
    assert (knocking.unit, knocking.packs, knocking.first_ms, knocking.last_ms) == ("v9-new", 4, 100, 103)
    kept = store.waiting_packs("v9-new", 3)
    assert [pack.topic for pack in kept] == ["topic-0", "topic-1", "topic-2"]
    store.forget_waiting("v9-new", kept[-1].number)
    assert [pack.topic for pack in store.waiting_packs("v9-new")] == ["topic-3"]


def test_statuses_messages_and_sent_commands_are_kept(factory):
    store = factory.store()
    on = UnitStatus(UNIT, "on", 3, 60.0, "1.2", 7)
    store.commit(
        Batch(statuses=[on], messages=[Message(0, UNIT, "up/event", "{}", b"\x01", 7)]), received_ms=7
    )
    store.commit(Batch(statuses=[UnitStatus(UNIT, "lost", 2, None, None, 8)]), received_ms=8)
    store.mark_sent("12", 9)
    reader = factory.reader()
    assert reader.statuses() == {UNIT: on}, "a will of an older boot says nothing"
    assert reader.messages_after(0) == [Message(1, UNIT, "up/event", "{}", b"\x01", 7)]
    assert reader.messages_after(1) == []
    assert reader.sent_commands() == {"12": 9}


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=40, deadline=None)
@given(
    numbers=st.lists(st.tuples(st.integers(1, 2), st.integers(0, 30)), min_size=1, max_size=60),
    cuts=st.lists(st.integers(1, 10), min_size=60, max_size=60),
)
def test_marks_agree_with_counting_whatever_the_order(tmp_path_factory, influx, kind, numbers, cuts):
    factory = FACTORIES[kind](tmp_path_factory.mktemp("marks"), influx)
    store = factory.store()
    left = list(numbers)
    for cut in cuts:
        store.append([sample(sq, bid=bid) for bid, sq in left[:cut]], received_ms=7)
        left = left[cut:]
    for bid in {bid for bid, _ in numbers}:
        held = {sq for owner, sq in numbers if owner == bid}
        mark = next(sq for sq in range(-1, 32) if sq + 1 not in held)
        assert store.marks(UNIT)[bid] == mark
        assert store.newest_sq(UNIT)[bid] == max(held)
    assert len(store.read(UNIT, *EVER)) == len(set(numbers))
    factory.close()


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=30, deadline=None)
@given(order=st.permutations(range(8)))
def test_arrival_order_changes_no_time_and_no_value(tmp_path_factory, influx, kind, order):
    factory = FACTORIES[kind](tmp_path_factory.mktemp("order"), influx)
    store = factory.store()
    drifting = [
        sample(sq, tq=0, up_s=sq * 60.0, t_ms=1_000 * sq)
        if sq < 5
        else sample(sq, up_s=sq * 60.0, t_ms=START_MS + sq * 60_010)
        for sq in range(8)
    ]
    for sq in order:
        store.append([drifting[sq]], received_ms=7)
    times = store.read(UNIT, *EVER).t_ms.tolist()
    start_ms = START_MS + 5 * 60_010 - 300_000
    assert times == [start_ms + sq * 60_000 for sq in range(5)] + [
        START_MS + sq * 60_010 for sq in range(5, 8)
    ]
    factory.close()


def test_hours_above_a_mark_and_charge_are_the_same_counted_before_or_not_and_true_under_late_samples(
    factory,
):
    store, reader = factory.store(), factory.reader()
    day_ms = START_MS // DAY_MS * DAY_MS
    edges_ms = np.array([day_ms + day * DAY_MS for day in range(4)], dtype=np.int64)

    def minutes():
        rows = reader.counted(UNIT, "cabinet_c", edges_ms)
        place = mark_for(5.0)
        return (rows[[place, len(MARKS_C) + place]] / MINUTE_MS).tolist()

    def tidied():
        while store.tidy(day_ms + 10 * DAY_MS):
            pass

    # every ten minutes from 22:00 to 05:50, warm for an hour around midnight
    times_ms = range(day_ms + 22 * HOUR_MS, day_ms + 30 * HOUR_MS, 10 * MINUTE_MS)
    store.append(
        [
            sample(sq, t_ms=t_ms, cabinet=6.0 if 9 <= sq < 15 else 4.0, current=1.5)
            for sq, t_ms in enumerate(times_ms)
        ],
        received_ms=7,
    )
    assert minutes() == [[35.0, 25.0, 0.0], [120.0, 350.0, 0.0]]
    tidied()
    assert minutes() == [[35.0, 25.0, 0.0], [120.0, 350.0, 0.0]]
    drawn_ah, given_ah, told_ms = reader.counted(UNIT, "current_a", edges_ms)
    assert (drawn_ah / 1e6).tolist() == [3.0, 8.75, 0.0]
    assert given_ah.tolist() == [0, 0, 0]
    assert (told_ms / HOUR_MS).tolist() == [2.0, 350 / 60, 0.0]
    store.append([sample(99, bid=2, t_ms=day_ms + 23 * HOUR_MS + 55 * 60_000, cabinet=4.0)], received_ms=8)
    assert minutes()[0] == [30.0, 25.0, 0.0]
    tidied()
    assert minutes()[0] == [30.0, 25.0, 0.0]
    assert reader.counted(UNIT, "battery_v", edges_ms) is None
    assert not reader.counted("nobody", "cabinet_c", edges_ms).any()
