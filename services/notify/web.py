"""Calls a web address: a CloudEvent, signed, and no redirect is followed.

The event is that of CloudEvents 1.0.2 (CNCF) in the structured mode of its HTTP protocol binding, 3.2. The
signature follows the Standard Webhooks specification 1.0.0: HMAC-SHA256 over ``id.timestamp.body``.
"""

import base64
import hashlib
import hmac
import http.client
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

from services.domain import Message
from services.notify.deadline import ANSWER_S, WHOLE_S, within
from services.notify.failures import NotTakenError, of_connection
from services.notify.guard import outside_only
from services.timebase import SECOND_MS
from services.tls import client_context

SECRET_PREFIX = "whsec_"  # noqa: S105 - how such secrets begin, Standard Webhooks 1.0.0
_GONE = 410
_MOST_READ = 1024


@dataclass(frozen=True, slots=True)
class WebSettings:
    """What calls of web addresses need."""

    secret: bytes = field(repr=False)
    """From which the secret of each address is made."""
    source: str
    """Who we are, in events: a URI reference."""
    inside_too: bool
    """Whether addresses may lead to machines of our own network, there without TLS too."""
    ca: Path | None = None
    answer_s: float = ANSWER_S
    whole_s: float = WHOLE_S


def secret_of(secret: bytes, target: str) -> bytes:
    """Return the secret that is shared with one address: whoever holds it cannot sign for another."""
    return hmac.digest(secret, f"webhook {target}".encode(), "sha256")


def shown(secret: bytes) -> str:
    """Return a secret as receivers' libraries take it."""
    return SECRET_PREFIX + base64.b64encode(secret).decode()


def signature(secret: bytes, number: str, seconds: int, body: bytes) -> str:
    """Return what stands in the header ``webhook-signature``."""
    digest = hmac.digest(secret, f"{number}.{seconds}.".encode() + body, hashlib.sha256)
    return "v1," + base64.b64encode(digest).decode()


class WebSender:
    """Calls web addresses."""

    def __init__(self, settings: WebSettings, clock: Callable[[], int]) -> None:
        """Take the settings, and what tells the time that is signed."""
        self._settings = settings
        self._clock = clock

    def __call__(self, message: Message) -> str:
        """Send, and return who took it.

        Raises
        ------
        NotTakenError
            With what happened, in words.
        """
        where = urlsplit(message.target)
        if where.scheme not in {"http", "https"} or not where.hostname or not message.target.isascii():
            raise NotTakenError(
                "This is not a web address.", "It begins with https:// and a name.", lasting=True
            )
        if where.scheme == "http" and not self._settings.inside_too:
            raise NotTakenError("An address outside of the house is called by https:// only.", lasting=True)
        host, port = where.hostname, where.port or (443 if where.scheme == "https" else 80)
        connection = self._connection(where.scheme, host, port)
        body = self._event(message)
        path = (where.path or "/") + (f"?{where.query}" if where.query else "")
        try:
            with (
                outside_only(inside_too=self._settings.inside_too),
                within(self._settings.whole_s, lambda: connection.sock),
            ):
                connection.request("POST", path, body, self._headers(message, body))
                answer = connection.getresponse()
                answer.read(_MOST_READ)
        except (OSError, ValueError, http.client.HTTPException) as error:
            raise of_connection(error, host, port, self._settings.answer_s) from error
        finally:
            connection.close()
        return _judged(answer.status, host)

    def _connection(self, scheme: str, host: str, port: int) -> http.client.HTTPConnection:
        if scheme == "http":
            return http.client.HTTPConnection(host, port, timeout=self._settings.answer_s)
        return http.client.HTTPSConnection(
            host, port, timeout=self._settings.answer_s, context=client_context(self._settings.ca)
        )

    def _event(self, message: Message) -> bytes:
        data = {
            "subject": message.subject,
            "body": message.body,
            "priority": message.priority,
            "about": message.about,
            "notice": message.notice,
            **message.data,
        }
        event = {
            "specversion": "1.0",
            "id": message.key,
            "source": self._settings.source,
            "type": f"bushlarder.{message.about}",
            "datacontenttype": "application/json",
            "data": data,
        }
        if message.notice is not None:
            event["subject"] = f"notices/{message.notice}"
        return json.dumps(event, ensure_ascii=False).encode()

    def _headers(self, message: Message, body: bytes) -> dict[str, str]:
        seconds = self._clock() // SECOND_MS
        secret = secret_of(self._settings.secret, message.target)
        return {
            "Content-Type": "application/cloudevents+json; charset=utf-8",
            "User-Agent": "bushlarder",
            "webhook-id": message.key,
            "webhook-timestamp": str(seconds),
            "webhook-signature": signature(secret, message.key, seconds, body),
        }


def _judged(status: int, host: str) -> str:
    """Return that an answer means it was taken, or raise why not."""
    match status // 100:
        case 2:
            return f"Taken by {host}, which answered {status}."
        case 3:
            raise NotTakenError(
                f"{host} answered {status}, which points elsewhere; that is not followed.",
                "Enter the address it points to.",
            )
        case _:
            raise NotTakenError(
                f"{host} answered {status}.",
                "Look at the address, and at what the receiver keeps of its own log.",
                lasting=status == _GONE,
            )
