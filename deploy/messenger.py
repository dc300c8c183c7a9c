"""Puts the process together that tells people: what is to be told, the mail server, the broker, secrets."""

import contextlib
import os
import secrets
from collections.abc import Callable
from dataclasses import replace
from email.utils import parseaddr
from pathlib import Path

from deploy.analyse import read_text
from deploy.lamps import NOTIFY_USER, notify_secret
from deploy.tellers import telling_of
from deploy.wiring import broker_access, open_records, stop_event
from services.clock import now_ms
from services.domain import Message, WayKind
from services.errors import ConfigurationError
from services.ingest.access import LOOPBACK
from services.notify.delivering import Delivering, Sender
from services.notify.lamp import LampBroker, LampSender
from services.notify.linking import with_link
from services.notify.mail import MailSender, MailServer, MailTls, NoMailServer
from services.notify.other import OtherSender, quieten
from services.notify.providers import server_of
from services.notify.running import run_notify
from services.notify.web import WebSender, WebSettings
from services.pulse import Pulse
from services.records.facade import Records
from services.settings import Settings

_PORTS: dict[MailTls, int] = {"starttls": 587, "tls": 465, "none": 25}
"""Submission, submission with TLS from the start (RFC 8314, 3.3), and relay."""
_SECRET_BYTES = 32


def mail_server(settings: Settings) -> MailServer | None:
    """Return where mail is handed in, None where nobody set it up.

    Raises
    ------
    ConfigurationError
        If the server is not known, the password cannot be read, or it would travel in clear.
    """
    if settings.mail_from is None:
        return None
    address = parseaddr(settings.mail_from)[1]
    if "@" not in address:
        raise ConfigurationError("is not an address like name@place", setting="mail_from")
    known = None if settings.mail_host is not None else server_of(settings.mail_from)
    host, port, tls = known or (settings.mail_host, None, None)
    if host is None:
        raise ConfigurationError(
            f"the mail server for {address.rpartition('@')[2]} is not known here: your provider tells its "
            "name (outgoing mail, SMTP)",
            setting="mail_host",
        )
    mode = settings.mail_tls or tls or "starttls"
    file = settings.mail_password_file
    password = None if file is None else read_text(file).strip()
    if mode == "none" and password is not None and host not in LOOPBACK:
        raise ConfigurationError("a password goes to another machine with TLS only", setting="mail_tls")
    return MailServer(
        host=host,
        port=settings.mail_port or port or _PORTS[mode],
        tls=mode,
        sender=settings.mail_from,
        user=None if password is None else settings.mail_user or address,
        password=password,
        ca=settings.mail_ca,
    )


def webhook_secret(settings: Settings) -> bytes:
    """Return the secret from which those of web addresses are made; the first time it is drawn."""
    file = settings.webhook_secret_file
    if file is None:
        file = settings.data / "webhook.secret"
        with contextlib.suppress(FileExistsError):
            _draw(file)
    text = read_text(file).strip()
    if len(text) < _SECRET_BYTES:
        raise ConfigurationError(f"holds fewer than {_SECRET_BYTES} letters", setting="webhook_secret_file")
    return text.encode()


def _draw(file: Path) -> None:
    """Write a fresh secret beside, then give it its name unless another process was faster."""
    fresh = file.with_name(f".{file.name}.{os.getpid()}")
    with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as out:
        out.write(secrets.token_hex(_SECRET_BYTES))
        out.flush()
        os.fsync(out.fileno())
    try:
        os.link(fresh, file)
    finally:
        fresh.unlink()


def lamp_broker(settings: Settings) -> LampBroker | None:
    """Return the broker lamps listen to, None where there is none, or no lamp was let in."""
    if settings.broker_url is None:
        return None
    access = broker_access(settings, settings.broker_url)
    if settings.broker_folder is not None and settings.broker_user is None:
        secret = notify_secret(settings.broker_folder)
        if secret is None:
            return None
        access = replace(access, user=NOTIFY_USER, password=secret)
    access.require_private()
    host, port = access.place()
    return LampBroker(host, port, access.apply)


def senders(settings: Settings, clock: Callable[[], int] = now_ms) -> dict[WayKind, Sender]:
    """Return who sends what."""
    quieten()
    inside = settings.notify_inside
    web = WebSettings(
        secret=webhook_secret(settings),
        source="/notices" if settings.public_url is None else f"{settings.public_url}/notices",
        inside_too=inside,
    )
    return {
        "mail": _mail(settings, clock),
        "web": WebSender(web, clock),
        "other": OtherSender(inside_too=inside),
        "lamp": LampSender(lambda: lamp_broker(settings)),
    }


def _mail(settings: Settings, clock: Callable[[], int]) -> Sender:
    try:
        server = mail_server(settings)
    except ConfigurationError as error:  # lamps and signed calls go on without mail
        return NoMailServer(str(error))
    return NoMailServer() if server is None else MailSender(server, clock)


def _linked(settings: Settings, records: Records) -> Callable[[Message], Message]:
    def prepare(message: Message) -> Message:
        return with_link(message, records, base=settings.public_url, now_ms=now_ms())

    return prepare


def notify(settings: Settings) -> None:
    """Run the notify process until told to stop."""
    records = open_records(settings)
    delivering = Delivering(records, senders(settings), now_ms, prepare=_linked(settings, records))
    run_notify(
        telling_of(settings, records).step,
        delivering,
        waiting=records.out_waiting,
        stop=stop_event(),
        clock=now_ms,
        heartbeat=Pulse(settings.data, "notify").beat,
    )
