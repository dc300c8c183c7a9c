"""What the worker does when something fails; the store is real, the link only remembers."""

import threading

import pytest

from services.errors import DependencyUnavailable, NoRoom
from services.ingest import sorting, worker
from services.ingest.client import Delivery
from services.ingest.link import Arrival
from services.ingest.worker import Ingest
from services.store.sqlite import SqliteStore
from services.telemetry import topics
from services.telemetry.packs import encode_pack
from tests.helpers.units import sample_of

UNIT = "v3-meat"


class Notebook:
    """Stands where the link stands and writes down what it is told."""

    def __init__(self):
        self.coming, self.acknowledged, self.posts = [], [], []
        self.connected = True

    def take(self, limit, *, wait_s, linger_s):  # noqa: ARG002
        taken, self.coming = self.coming[:limit], self.coming[limit:]
        return taken

    def acknowledge(self, arrivals):
        self.acknowledged += [arrival.delivery.mid for arrival in arrivals]

    def post(self, post):
        self.posts.append(post)

    def waiting(self):
        return len(self.coming)


def arrival(sq, *, mid=None):
    payload = encode_pack([sample_of(UNIT, sq)])
    mid = sq + 1 if mid is None else mid
    delivery = Delivery(topics.topic(UNIT, "up/data"), payload, 1, False, mid, None, b"")  # noqa: FBT003
    return Arrival(1, 1_760_000_000_000, delivery)


@pytest.fixture
def store(tmp_path):
    made = SqliteStore(tmp_path / "telemetry.db")
    yield made
    made.close()


@pytest.fixture
def link():
    return Notebook()


def test_a_batch_is_acknowledged_in_order_of_arrival_and_confirmed(store, link):
    ingest = Ingest(store, link, known_units=lambda: frozenset({UNIT}))
    link.coming = [arrival(sq) for sq in range(250)]
    for _ in range(3):
        ingest.step(threading.Event())
    assert link.acknowledged == list(range(1, 251))
    assert store.marks(UNIT) == {1: 249}
    assert {post.topic for post in link.posts} == {topics.topic(UNIT, "down/ack")}
    assert all(post.retain for post in link.posts)


def test_nothing_is_acknowledged_before_the_store_has_it(store, link, monkeypatch):
    ingest = Ingest(store, link, known_units=lambda: frozenset({UNIT}))
    ingest.step(threading.Event())
    stop = threading.Event()
    commit, failures = store.commit, []

    def failing(batch, *, received_ms):
        if len(failures) < 2:
            failures.append(list(link.acknowledged))
            raise DependencyUnavailable("the disk is away")
        return commit(batch, received_ms=received_ms)

    monkeypatch.setattr(store, "commit", failing)
    monkeypatch.setattr(worker, "FIRST_RETRY_S", 0.01)
    link.coming = [arrival(0)]
    ingest.step(stop)
    assert failures == [[], []]
    assert link.acknowledged == [1]
    assert store.marks(UNIT) == {1: 0}


def test_a_store_that_stays_away_leaves_the_batch_to_be_sent_again(store, link, monkeypatch):
    ingest = Ingest(store, link, known_units=lambda: frozenset({UNIT}))
    ingest.step(threading.Event())
    stop = threading.Event()

    def away(_batch, *, received_ms):  # noqa: ARG001
        stop.set()
        raise DependencyUnavailable("the disk is away")

    monkeypatch.setattr(store, "commit", away)
    link.coming = [arrival(0)]
    ingest.step(stop)
    assert link.acknowledged == []


def test_a_message_the_service_fails_on_is_set_aside_alone(store, link, monkeypatch):
    ingest = Ingest(store, link, known_units=lambda: frozenset({UNIT}))
    decode = sorting.decode_pack
    bad = arrival(1).delivery.payload

    def surprising(topic, payload, **more):
        if payload == bad:
            raise ZeroDivisionError
        return decode(topic, payload, **more)

    monkeypatch.setattr(sorting, "decode_pack", surprising)
    link.coming = [arrival(0), arrival(1), arrival(2)]
    ingest.step(threading.Event())
    assert store.newest_sq(UNIT) == {1: 2}
    assert store.marks(UNIT) == {1: 0}, "what was set aside is not confirmed"
    assert [reject.rejected.reason for reject in store.quarantine()] == ["internal_fault"]
    assert store.quarantine()[0].payload == bad
    assert link.acknowledged == [1, 2, 3], "or the broker would send it for ever"
    assert ingest.counters["faults"] == 1


def test_failing_neighbours_do_not_stop_ingest(store, link):
    def broken(*_):
        raise RuntimeError("records are away")

    ingest = Ingest(store, link, known_units=broken, outbox=broken, heartbeat=broken)
    link.coming = [arrival(0)]
    ingest.step(threading.Event())
    assert store.waiting()[0].unit == UNIT, "nobody could say whether it is known, so it waits"
    assert ingest.counters["faults"] == 3
    assert link.acknowledged == [1]


def test_a_restart_repeats_the_last_confirmation(store, link):
    store.append([sample_of(UNIT, 0)], received_ms=7)
    ingest = Ingest(store, link, known_units=lambda: frozenset({UNIT}))
    ingest.step(threading.Event())
    assert [post.topic for post in link.posts] == [topics.topic(UNIT, "down/ack")]


def test_what_waits_its_turn_is_confirmed_on_stopping(store, link):
    ingest = Ingest(store, link, known_units=lambda: frozenset({UNIT}))
    link.coming = [arrival(0)]
    ingest.step(threading.Event())
    link.coming = [arrival(1)]
    ingest.step(threading.Event())
    stop = threading.Event()
    stop.set()
    ingest.run(stop)
    assert b'"sq":1' in link.posts[-1].payload


def test_without_room_nothing_is_taken_or_acknowledged_and_it_goes_on_when_there_is(store, link, monkeypatch):
    monkeypatch.setattr(worker, "CHORES_S", 0.01)
    has_room, said = [False], []
    ingest = Ingest(
        store, link, known_units=lambda: frozenset({UNIT}), heartbeat=said.append, room=lambda: has_room[0]
    )
    link.coming = [arrival(0)]
    ingest.step(threading.Event())
    assert (link.coming, link.acknowledged) != ([], [1])
    assert store.marks(UNIT) == {}
    assert "disk is full" in said[-1]["trouble"]
    has_room[0] = True
    ingest.step(threading.Event())
    assert link.acknowledged == [1]
    ingest._next_chores_s = 0.0
    ingest.step(threading.Event())
    assert said[-1]["trouble"] is None


def test_it_shows_life_and_says_what_is_wrong_while_the_store_does_not_answer(store, link, monkeypatch):
    monkeypatch.setattr(worker, "FIRST_RETRY_S", 0.001)
    commit, failures = store.commit, [DependencyUnavailable("locked"), NoRoom("the disk is full")]

    def failing(batch, **more):
        if failures:
            raise failures.pop(0)
        return commit(batch, **more)

    monkeypatch.setattr(store, "commit", failing)
    said = []
    ingest = Ingest(store, link, known_units=lambda: frozenset({UNIT}), heartbeat=said.append)
    link.coming = [arrival(0)]
    ingest.step(threading.Event())
    told = [each["trouble"] for each in said]
    assert "locked" in told[1]
    assert "disk is full" in told[2]
    assert ingest.figures.trouble is None
    assert link.acknowledged == [1]


def test_housekeeping_goes_on_while_nobody_waits_and_stands_back_when_somebody_does(store, link, monkeypatch):
    monkeypatch.setattr(worker, "CHORES_S", 3_600.0)
    count = 10 * 1440
    samples = [sample_of(UNIT, sq) for sq in range(count)]
    store.append(samples, received_ms=samples[-1].t_ms)  # ten days of a year ago
    ingest = Ingest(store, link, known_units=lambda: frozenset({UNIT}))
    pieces = []
    tidy = store.tidy
    monkeypatch.setattr(store, "tidy", lambda now_ms: pieces.append(now_ms) or tidy(now_ms))
    ingest.step(threading.Event())
    assert len(pieces) == 2, "one as a chore, one because nobody waits"
    link.coming = [arrival(count)]
    ingest.step(threading.Event())
    assert len(pieces) == 2
    for _ in range(200):
        ingest.step(threading.Event())
    assert store._connection.execute("SELECT count(*) FROM samples").fetchone()[0] <= 1
    assert len(pieces) < 100, "and ends when nothing is left"
