"""The loop of the process that tells people: what is to be told, deliver, show life, wait."""

import threading
from collections.abc import Callable, Mapping
from typing import Any

import structlog

from services.errors import DependencyUnavailable
from services.notify.delivering import Delivering

POLL_S = 1.0
_STEPS_OF_WAIT = 30
"""A step that fails is tried again after one second, then two, up to thirty."""

_log = structlog.get_logger(__name__)


class _Careful:
    """One step of the loop; what fails is told, tried again a little later, and holds up nothing else."""

    def __init__(self, name: str, step: Callable[[int], int]) -> None:
        self.done = 0
        self.trouble: str | None = None
        self._name = name
        self._step = step
        self._failures = 0
        self._rest = 0

    def __call__(self, now_ms: int) -> None:
        if self._rest > 0:
            self._rest -= 1
            return
        try:
            self.done += self._step(now_ms)
        except DependencyUnavailable as error:
            self._failed(str(error))
            _log.warning("notify.dependency.unavailable", step=self._name, error=str(error))
        except Exception:  # noqa: BLE001 - the outermost loop
            self._failed("a fault in the service itself; its log says which")
            _log.exception("notify.step.failed", step=self._name)
        else:
            self.trouble, self._failures = None, 0

    def _failed(self, why: str) -> None:
        self._failures += 1
        self._rest = min(2**self._failures - 1, _STEPS_OF_WAIT)
        self.trouble = f"Nobody is told of notices: {why}."


def run_notify(
    tell: Callable[[int], int],
    delivering: Delivering,
    *,
    waiting: Callable[[], int],
    stop: threading.Event,
    clock: Callable[[], int],
    heartbeat: Callable[[int, Mapping[str, Any]], None],
) -> None:
    """Tell and deliver until told to stop.

    `tell` writes what is to be told into the outbox, `waiting` counts what lies there, `heartbeat` takes the
    time and what there is to say about once a second.
    """
    telling, sending = _Careful("tell", tell), _Careful("deliver", delivering.step)
    counted = 0

    def count(_now_ms: int) -> int:
        nonlocal counted
        counted = waiting()
        return 0

    counting = _Careful("count", count)
    while not stop.is_set():
        now_ms = clock()
        for step in (telling, sending, counting):
            step(now_ms)
        heartbeat(clock(), _said(telling, sending, delivering, counted))
        stop.wait(POLL_S)


def _said(telling: _Careful, sending: _Careful, delivering: Delivering, waiting: int) -> Mapping[str, Any]:
    """Return everything as it goes into the sign of life."""
    figures = delivering.figures
    return {
        "told": telling.done,
        "sent": figures.sent,
        "failed": figures.failed,
        "given_up": figures.given_up,
        "waiting": waiting,
        "trouble": telling.trouble or sending.trouble,
    }
