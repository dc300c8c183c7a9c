"""Live changes: one look at the records per moment for however many pages are open."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Sequence

import anyio.to_thread
import orjson
import structlog

from services.domain import BatchVerdict, UnitCard

_log = structlog.get_logger(__name__)

POLL_S = 0.25
RETRY_S = 2.0
_WAITING_AT_MOST = 64
"""Changes a slow reader may be behind before it is cut off; the browser then asks again by itself."""

Change = UnitCard | BatchVerdict
"""A cabinet's card, or that the verdict on a batch of food changed."""
ChangedAfter = Callable[[int], Sequence[tuple[int, Change]]]
Newest = Callable[[], int]


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
        self._listeners: set[asyncio.Queue[tuple[int, str] | None]] = set()
        self._task: asyncio.Task[None] | None = None
        self._last = 0

    async def _since(self, number: int) -> tuple[int, str] | None:
        changed = await anyio.to_thread.run_sync(self._changed_after, number)
        if not changed:
            return None
        return max(no for no, _ in changed), event_data([change for _, change in changed])

    async def _poll(self) -> None:
        while self._listeners:
            try:
                event = await self._since(self._last)
            except Exception as error:  # noqa: BLE001 - the outermost loop: log, wait, look again
                _log.warning("api.live.read_failed", error=type(error).__name__, detail=str(error))
                await asyncio.sleep(RETRY_S)
                continue
            if event is not None:
                self._last = event[0]
                self._hand_out(event)
            await asyncio.sleep(self._poll_s)

    def _hand_out(self, event: tuple[int, str]) -> None:
        for queue in list(self._listeners):
            if queue.full():
                self._listeners.discard(queue)
                queue.get_nowait()
                queue.put_nowait(None)
            else:
                queue.put_nowait(event)

    async def events(self, after: int | None) -> AsyncIterator[tuple[int, str]]:
        """Yield (change number, data) after `after`; None begins with the next change."""
        queue: asyncio.Queue[tuple[int, str] | None] = asyncio.Queue(_WAITING_AT_MOST)
        self._listeners.add(queue)  # before the first look, so that nothing falls between the two
        try:
            seen = await anyio.to_thread.run_sync(self._newest) if after is None else after
            first = await self._since(seen)
            seen = first[0] if first is not None else seen
            if self._task is None or self._task.done():
                self._last = seen
                self._task = asyncio.create_task(self._poll())
            if first is not None:
                yield first
            while (event := await queue.get()) is not None:
                if event[0] > seen:
                    yield event
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
