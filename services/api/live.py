"""Live changes: one look at the records per moment for however many pages are open."""

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from dataclasses import dataclass

import anyio.to_thread
import orjson
import structlog

from services.domain import BatchVerdict, UnitCard

_log = structlog.get_logger(__name__)

POLL_S = 0.25
RETRY_S = 2.0
ALIVE_S = 15
"""Between two signs that the link still holds: a link can die without either side noticing. [s]"""
_WAITING_AT_MOST = 64
"""Changes a slow reader may be behind before it is cut off; the browser then asks again by itself."""

Change = UnitCard | BatchVerdict
"""A cabinet's card, or that the verdict on a batch of food changed."""
ChangedAfter = Callable[[int], Sequence[tuple[int, Change]]]
Newest = Callable[[], int]
Shown = Callable[[Sequence[Change]], Sequence[Change]]
"""Leaves out what a listener may not see."""
Still = Callable[[], Awaitable[bool]]
"""Whether a listener may still listen."""
ASKS_AGAIN_S = 15.0
"""How long somebody whose session has ended goes on hearing, at most."""


@dataclass(frozen=True, slots=True)
class _Event:
    number: int
    changes: Sequence[Change]
    data: str
    """Written out once for all who see everything."""

    @staticmethod
    def of(changed: Sequence[tuple[int, Change]]) -> "_Event":
        changes = [change for _, change in changed]
        return _Event(max(no for no, _ in changed), changes, event_data(changes))


def _everything(changes: Sequence[Change]) -> Sequence[Change]:
    return changes


async def _always() -> bool:
    return True


def event_data(changes: Sequence[Change]) -> str:
    """Return the data of one event: of each cabinet the newest card, of each batch its newest verdict."""
    newest: dict[object, Change] = {c.unit if isinstance(c, UnitCard) else c.batch: c for c in changes}
    told: dict[str, list[object]] = {"units": [], "batches": []}
    for change in newest.values():
        kind = "units" if isinstance(change, UnitCard) else "batches"
        told[kind].append(change.model_dump(mode="json", by_alias=True))
    return orjson.dumps(told).decode()


class LiveChanges:
    """Polls the records while anybody listens, and hands each change to every listener."""

    def __init__(self, newest: Newest, changed_after: ChangedAfter, *, poll_s: float = POLL_S) -> None:
        """Take where the newest change number and the changes come from."""
        self._newest = newest
        self._changed_after = changed_after
        self._poll_s = poll_s
        self._listeners: set[asyncio.Queue[_Event | None]] = set()
        self._task: asyncio.Task[None] | None = None
        self._last = 0

    async def _since(self, number: int) -> _Event | None:
        changed = await anyio.to_thread.run_sync(self._changed_after, number)
        return _Event.of(changed) if changed else None

    async def _poll(self) -> None:
        while self._listeners:
            try:
                event = await self._since(self._last)
            except Exception as error:  # noqa: BLE001 - the outermost loop: log, wait, look again
                _log.warning("api.live.read_failed", error=type(error).__name__, detail=str(error))
                await asyncio.sleep(RETRY_S)
                continue
            if event is not None:
                self._last = event.number
                self._hand_out(event)
            await asyncio.sleep(self._poll_s)

    def _hand_out(self, event: _Event) -> None:
        for queue in list(self._listeners):
            if queue.full():
                self._listeners.discard(queue)
                queue.get_nowait()
                queue.put_nowait(None)
            else:
                queue.put_nowait(event)

    async def events(
        self, after: int | None, *, shown: Shown = _everything, still: Still = _always
    ) -> AsyncIterator[tuple[int, str]]:
        """Yield (change number, data) after `after`; None begins with the next change.

        Of each change only what is `shown`; the stream ends when `still` says no.
        """
        queue: asyncio.Queue[_Event | None] = asyncio.Queue(_WAITING_AT_MOST)
        waiting = _Waiting(queue, still)
        self._listeners.add(queue)  # before the first look, so that nothing falls between the two
        try:
            seen = await anyio.to_thread.run_sync(self._newest) if after is None else after
            first = await self._since(seen)
            seen = first.number if first is not None else seen
            if self._task is None or self._task.done():
                self._last = seen
                self._task = asyncio.create_task(self._poll())
            if first is not None and (told := await _told(first, shown)) is not None:
                yield told
            while (event := await waiting.next()) is not None:
                if event.number > seen and (told := await _told(event, shown)) is not None:
                    yield told
        finally:
            self._listeners.discard(queue)

    async def stop(self) -> None:
        """End every stream and the polling."""
        for queue in list(self._listeners):
            while not queue.empty():
                queue.get_nowait()
            queue.put_nowait(None)
        self._listeners.clear()
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task


async def _told(event: _Event, shown: Shown) -> tuple[int, str] | None:
    """Return an event as one listener gets it, None when nothing of it is for that listener."""
    if shown is _everything:
        return event.number, event.data
    changes = await anyio.to_thread.run_sync(shown, event.changes)
    return (event.number, event_data(changes)) if changes else None


class _Waiting:
    """Waits for a listener's events, and asks now and then whether there still are any for it."""

    def __init__(self, queue: asyncio.Queue[_Event | None], still: Still) -> None:
        self._queue = queue
        self._still = still
        self._ask_s = time.monotonic() + ASKS_AGAIN_S

    async def next(self) -> _Event | None:
        """Return the next event, None when the stream is to end."""
        while True:
            if time.monotonic() >= self._ask_s:
                if not await self._still():
                    return None
                self._ask_s = time.monotonic() + ASKS_AGAIN_S
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(self._ask_s - time.monotonic()):
                    return await self._queue.get()
