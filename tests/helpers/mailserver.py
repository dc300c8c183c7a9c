"""A real mail server on a free loopback port, with TLS and a login where they are wanted."""

import email
import ssl
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from email.message import EmailMessage
from email.policy import default
from pathlib import Path

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session


class Mailbox:
    """Keeps what was handed in; `before` is called with each mail before it is answered."""

    def __init__(self, before: Callable[[EmailMessage], None] | None = None) -> None:
        self.got: list[EmailMessage] = []
        self.to: list[list[str]] = []
        self.before = before
        self.answer = "250 Message accepted for delivery"
        self.unknown: set[str] = set()

    async def handle_RCPT(  # noqa: N802 - the server's name for it
        self, _server: SMTP, _session: Session, envelope: Envelope, address: str, _options: list[str]
    ) -> str:
        if address in self.unknown:
            return f"550 5.1.1 {address}: no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:  # noqa: N802
        mail = email.message_from_bytes(envelope.content or b"", policy=default)
        assert isinstance(mail, EmailMessage)
        self.got.append(mail)
        self.to.append(envelope.rcpt_tos)
        if self.before is not None:
            self.before(mail)
        return self.answer


class _AnyPort(Controller):
    def _trigger_server(self) -> None:
        self.port = self.server.sockets[0].getsockname()[1]  # it knocks at itself, and was told port 0
        super()._trigger_server()


@contextmanager
def mail_server(
    mailbox: Mailbox,
    *,
    port: int = 0,
    certificate: tuple[Path, Path] | None = None,
    login: tuple[str, str] | None = None,
    tls_at_once: bool = False,
) -> Iterator[int]:
    """Run a server and yield its port."""

    def knows(
        _server: SMTP, _session: Session, _envelope: Envelope, _mechanism: str, said: object
    ) -> AuthResult:
        assert isinstance(said, LoginPassword)
        return AuthResult(success=login == (said.login.decode(), said.password.decode()), handled=False)

    context = None
    if certificate is not None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(*certificate)
    extra = {}
    if login is not None:
        later = context is not None and not tls_at_once
        extra = {"authenticator": knows, "auth_required": later, "auth_require_tls": later}
    controller = _AnyPort(
        mailbox,
        hostname="127.0.0.1",
        port=port,
        ready_timeout=30.0,
        ssl_context=context if tls_at_once else None,
        tls_context=None if tls_at_once else context,
        require_starttls=context is not None and not tls_at_once,
        **extra,
    )
    controller.start()
    try:
        yield controller.port
    finally:
        controller.stop()
