import asyncio
import json

from services.api.live import LiveChanges, event_data
from services.domain import BatchVerdict, Verdict
from tests.helpers.larder import card


class Book:
    """Change numbers and cards, as the records hand them out."""

    def __init__(self):
        self.rows = []
        self.number = 0
        self.looks = 0
        self.broken = False

    def newest(self):
        return self.number

    def after(self, no):
        self.looks += 1
        if self.broken:
            raise RuntimeError("no answer")
        return [row for row in self.rows if row[0] > no]

    def put(self, unit):
        self.number += 1
        self.rows = [row for row in self.rows if row[1].unit != unit] + [(self.number, card(unit))]


async def next_of(events):
    number, data = await asyncio.wait_for(anext(events), 5)
    return number, [unit["unit"] for unit in json.loads(data)["units"]]


async def rest_of(events):
    return [number async for number, _ in events]


def test_a_change_reaches_everybody_through_one_poller():
    async def scene():
        book = Book()
        live = LiveChanges(book.newest, book.after, poll_s=0.01)
        first, second = live.events(None), live.events(None)
        waiting = [asyncio.create_task(next_of(stream)) for stream in (first, second)]
        await asyncio.sleep(0.05)
        assert live._task is not None
        book.put("v3-meat")
        assert await asyncio.gather(*waiting) == [(1, ["v3-meat"])] * 2
        looks = book.looks
        await asyncio.sleep(0.1)
        assert book.looks - looks <= 12, "two streams must not mean two pollers"
        await live.stop()

    asyncio.run(scene())


def test_a_stream_goes_on_where_the_last_one_ended():
    async def scene():
        book = Book()
        for unit in ("v3-meat", "v3-veg", "camp-fish"):
            book.put(unit)
        live = LiveChanges(book.newest, book.after, poll_s=0.01)
        stream = live.events(1)
        assert await next_of(stream) == (3, ["v3-veg", "camp-fish"])
        book.put("camp-milk")
        assert await next_of(stream) == (4, ["camp-milk"])
        await live.stop()

    asyncio.run(scene())


def test_a_database_that_fails_for_a_while_does_not_end_the_stream(monkeypatch):
    monkeypatch.setattr("services.api.live.RETRY_S", 0.01)

    async def scene():
        book = Book()
        live = LiveChanges(book.newest, book.after, poll_s=0.01)
        stream = live.events(None)
        waiting = asyncio.create_task(next_of(stream))
        await asyncio.sleep(0.03)
        book.broken = True
        book.put("v3-veg")
        await asyncio.sleep(0.05)
        assert not waiting.done()
        book.broken = False
        assert await waiting == (1, ["v3-veg"])
        await live.stop()

    asyncio.run(scene())


def test_who_cannot_keep_up_is_let_go_and_the_polling_ends_with_the_last_listener(monkeypatch):
    monkeypatch.setattr("services.api.live._WAITING_AT_MOST", 2)

    async def scene():
        book = Book()
        live = LiveChanges(book.newest, book.after, poll_s=0.005)
        stream = live.events(0)
        waiting = asyncio.create_task(next_of(stream))
        await asyncio.sleep(0.03)
        book.put("v3-meat")
        await waiting
        for _ in range(6):
            book.put("v3-meat")
            await asyncio.sleep(0.02)
        left = await asyncio.wait_for(rest_of(stream), 5)
        assert len(left) <= 2
        await asyncio.sleep(0.03)
        assert live._task.done()

    asyncio.run(scene())


def test_of_a_batch_whose_verdict_changed_the_newest_change_is_told():
    def change(number, standing):
        return BatchVerdict(
            id=number,
            batch=3,
            t=1000,
            recorded=2000,
            computed=standing,
            standing=standing,
            standing_before=None,
            origin="data",
            why="made by hand",
        )

    data = json.loads(
        event_data([card("v3-meat"), change(1, Verdict.WATCH), card("v3-meat"), change(2, Verdict.HOLD)])
    )
    assert [unit["unit"] for unit in data["units"]] == ["v3-meat"]
    assert [(b["id"], b["batch"], b["standing"]) for b in data["batches"]] == [(2, 3, "hold")]
