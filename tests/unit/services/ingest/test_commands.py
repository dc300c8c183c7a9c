"""Commands as they are published."""

from dataclasses import dataclass, field

import orjson
import pytest

from services.ingest.commands import Commands, backfill_post, command_post
from services.ingest.repair import Question
from services.store.sqlite import SqliteStore
from services.telemetry import topics

UNIT = "v3-meat"


@dataclass
class Queued:
    id: int
    expires_ms: int = 100_000
    unit: str = UNIT
    name: str = "status"
    arguments: dict = field(default_factory=dict)
    correlation: bytes = b"\x01" * 16


@pytest.fixture
def store(tmp_path):
    made = SqliteStore(tmp_path / "telemetry.db")
    yield made
    made.close()


def test_each_queued_command_goes_out_once_even_after_a_restart(store):
    queue = [Queued(1), Queued(2, expires_ms=4_000), Queued(3)]
    posted = []

    def outbox(after):
        return [each for each in queue if each.id > after]

    commands = Commands(store, outbox)
    assert commands.send(posted.append, 5_000) == 2, "one had expired"
    assert commands.send(posted.append, 6_000) == 0
    queue.append(Queued(4))
    assert Commands(store, outbox).send(posted.append, 7_000) == 1
    assert [post.expiry_s for post in posted] == [95, 95, 93]
    assert store.sent_commands() == {"1": 5_000, "2": 5_000, "3": 5_000, "4": 7_000}


def test_a_backfill_names_the_stretch_and_where_to_answer():
    post = backfill_post(Question(UNIT, 3, 7, 9, b"\x02" * 16))
    assert post.topic == topics.topic(UNIT, "down/cmd")
    assert orjson.loads(post.payload) == {"name": "backfill", "args": {"bid": 3, "from": 7, "to": 9}}
    assert (post.response_topic, post.correlation) == (topics.topic(UNIT, "up/resp"), b"\x02" * 16)
    assert not post.retain


def test_a_command_outside_the_closed_list_is_never_published():
    with pytest.raises(ValueError, match="set_point"):
        command_post(UNIT, "set", {"set_point_c": 4}, b"", 60)
    with pytest.raises(ValueError, match="name"):
        command_post(UNIT, "defrost", {}, b"", 60)
