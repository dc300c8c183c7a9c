"""Sends a message to any other service (SMS gateways, chat) through a general library for such addresses."""

import logging
import re
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from apprise import Apprise, AppriseAsset

from services.domain import Message
from services.notify.deadline import ANSWER_S
from services.notify.failures import NotTakenError, of_connection
from services.notify.guard import outside_only

LIBRARY = "apprise"
_HERE = frozenset({"syslog", "dbus", "gnome", "glib", "gio", "kde", "qt", "macosx", "windows"})
"""What shows something on this machine instead of sending it."""
_MEANS: tuple[tuple[str, type[Exception]], ...] = (
    (r"name or service not known|name resolution|nameresolution|getaddrinfo", socket.gaierror),
    (r"certificate verify failed", ssl.SSLCertVerificationError),
    (r"refused", ConnectionRefusedError),
    (r"timed out|timeout", TimeoutError),
)
"""What the library writes into its log, which is all it tells, and what that is."""
_ANSWERED = re.compile(r"error=(\d{3})|\b(?:status|code)[ =:]+(\d{3})\b")


class OtherSender:
    """Hands a message to the library."""

    def __init__(self, *, inside_too: bool, answer_s: float = ANSWER_S) -> None:
        """Say whether addresses may lead to machines of our own network."""
        self._inside_too = inside_too
        self._answer_s = answer_s
        self._asset = AppriseAsset(
            async_mode=False,
            http_redirects=False,
            storage_mode="memory",
            app_id="Bushlarder",
            app_desc="Bushlarder",
            app_url="",
        )

    def __call__(self, message: Message) -> str:
        """Send, and return who took it.

        Raises
        ------
        NotTakenError
            With what happened, in words.
        """
        scheme = message.target.partition("://")[0].lower()
        service = None if scheme in _HERE else Apprise.instantiate(message.target, asset=self._asset)
        if service is None:
            raise NotTakenError(
                f"There is no service with addresses like {scheme}://…, or the rest of it is not complete.",
                "Copy the address from the instructions of the service.",
                lasting=True,
            )
        service.socket_connect_timeout = service.socket_read_timeout = self._answer_s
        service.redirects = False
        with _heard() as lines, outside_only(inside_too=self._inside_too):
            taken = service.notify(body=message.body or message.subject, title=message.subject)
        if not taken:
            raise self._why(scheme, "\n".join(lines))
        return f"Taken by the service ({scheme})."

    def _why(self, scheme: str, told: str) -> NotTakenError:
        """Return why, as far as the library's log tells; nothing of the log is repeated: it holds secrets."""
        for pattern, kind in _MEANS:
            if re.search(pattern, told, re.IGNORECASE):
                return of_connection(kind(), f"The server of {scheme}://", None, self._answer_s)
        answered = _ANSWERED.search(told)
        if answered is not None:
            return NotTakenError(
                f"The service ({scheme}) answered {answered[1] or answered[2]}.",
                "401 or 403: the key in the address is wrong. 404: the address is.",
            )
        return NotTakenError(
            f"The service ({scheme}) did not take the message.",
            "Look at the address, and at the account there.",
        )


@contextmanager
def _heard() -> Iterator[list[str]]:
    """Yield what the library writes into its log in this thread."""
    lines: list[str] = []
    here = threading.get_ident()

    class _Ear(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if record.thread == here:
                lines.append(record.getMessage())

    logger, ear = logging.getLogger(LIBRARY), _Ear(logging.DEBUG)
    logger.addHandler(ear)
    try:
        yield lines
    finally:
        logger.removeHandler(ear)


def quieten() -> None:
    """Keep the library's log, which holds addresses, out of ours; we listen to it ourselves."""
    logger = logging.getLogger(LIBRARY)
    logger.propagate = False
    logger.setLevel(logging.DEBUG)
