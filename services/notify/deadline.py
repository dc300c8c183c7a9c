"""Ends what another machine draws out: time-outs of single reads do not bound a conversation."""

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

ANSWER_S = 15.0
"""How long one answer may take; a satellite link takes a second or two (judgement)."""
WHOLE_S = 60.0
"""How long a whole conversation may take (judgement)."""


@contextmanager
def within(whole_s: float, line: Callable[[], socket.socket | None]) -> Iterator[None]:
    """Shut a connection down when its time is over; what was going on then is a `TimeoutError`."""
    over = threading.Event()

    def end() -> None:
        over.set()
        found = line()
        if found is not None:
            with suppress(OSError):
                found.shutdown(socket.SHUT_RDWR)

    timer = threading.Timer(whole_s, end)
    timer.daemon = True
    timer.start()
    try:
        yield
    except Exception as error:
        if over.is_set():
            raise TimeoutError from error
        raise
    finally:
        timer.cancel()
