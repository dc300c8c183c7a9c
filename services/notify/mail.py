"""Sends a message as mail, straight to the mail server of the house."""

import hashlib
import smtplib
import socket
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, parseaddr
from pathlib import Path
from typing import Literal

from services.domain import Message
from services.notify.deadline import ANSWER_S, WHOLE_S, within
from services.notify.failures import NotTakenError, of_mail
from services.timebase import datetime_of
from services.tls import client_context

MailTls = Literal["starttls", "tls", "none"]


@dataclass(frozen=True, slots=True)
class MailServer:
    """Where mail is handed in, and as whom."""

    host: str
    port: int
    tls: MailTls
    sender: str
    """``name@place``, or ``Name <name@place>``."""
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    ca: Path | None = None
    """The root to believe; None is what the machine believes."""
    answer_s: float = ANSWER_S
    whole_s: float = WHOLE_S

    @property
    def address(self) -> str:
        """What the mail comes from, without a name."""
        return parseaddr(self.sender)[1]


class MailSender:
    """Hands mail in; its Message-ID is made of the message's key, so a second copy can be told."""

    def __init__(self, server: MailServer, clock: Callable[[], int]) -> None:
        """Take the server, and what tells the time for the date of a mail."""
        self._server = server
        self._clock = clock

    def __call__(self, message: Message) -> str:
        """Send, and return who took it.

        Raises
        ------
        NotTakenError
            With what happened, in words.
        """
        server = self._server
        hide = (message.target, server.password or "", server.user or "")
        smtp = self._fresh()
        try:
            mail = self._mail(message)
            with within(server.whole_s, lambda: smtp.sock):
                self._hand_in(smtp, mail, message.target)
        except (OSError, smtplib.SMTPException, ValueError, EOFError) as error:
            raise of_mail(error, server.host, server.port, server.answer_s, hide) from error
        finally:
            with suppress(OSError, smtplib.SMTPException):
                smtp.close()
        return f"Taken by the mail server {server.host}."

    def _fresh(self) -> smtplib.SMTP:
        server = self._server
        # Left to itself the library asks the net for our own name, which takes long where there is none.
        here = socket.gethostname()
        name = here if "." in here else "[127.0.0.1]"
        if server.tls == "tls":
            return smtplib.SMTP_SSL(
                local_hostname=name, timeout=server.answer_s, context=client_context(server.ca)
            )
        return smtplib.SMTP(local_hostname=name, timeout=server.answer_s)

    def _hand_in(self, smtp: smtplib.SMTP, mail: EmailMessage, target: str) -> None:
        """Go through the conversation; once the text is taken nothing more can go wrong."""
        server = self._server
        smtp._host = server.host  # type: ignore[attr-defined]  # noqa: SLF001 - the name TLS asks for
        smtp.connect(server.host, server.port)
        if server.tls == "starttls":
            smtp.starttls(context=client_context(server.ca))
        if server.user is not None and server.password is not None:
            smtp.login(server.user, server.password)
        smtp.send_message(mail, from_addr=server.address, to_addrs=[target])
        with suppress(OSError, smtplib.SMTPException):
            smtp.quit()

    def _mail(self, message: Message) -> EmailMessage:
        mail = EmailMessage(policy=SMTP)
        place = self._server.address.rpartition("@")[2] or "localhost"
        mail["From"] = self._server.sender
        mail["To"] = message.target
        mail["Subject"] = " ".join(message.subject.split())
        mail["Date"] = format_datetime(datetime_of(self._clock()))
        mail["Message-ID"] = _number(message.key, place)
        if message.notice is not None:
            mail["References"] = _number(f"notice {message.notice}", place)
        mail["Auto-Submitted"] = "auto-generated"  # RFC 3834, 5: no out-of-office note answers it
        if message.priority == "high":
            mail["Importance"] = "high"
        mail.set_content(message.body or message.subject)
        return mail


def _number(words: str, place: str) -> str:
    return f"<{hashlib.sha256(words.encode()).hexdigest()[:32]}@{place}>"


class NoMailServer:
    """Stands where no mail server is set up, or not as it must be."""

    def __init__(self, why: str | None = None) -> None:
        """Say what is wrong with the settings."""
        self._why = why

    def __call__(self, _message: Message) -> str:
        """Say that nobody can be reached by mail."""
        if self._why is not None:
            raise NotTakenError(f"The mail server is not set up as it must be: {self._why}.")
        raise NotTakenError(
            "No mail server is set up.",
            "Put mail_from, mail_host and mail_password_file into bushlarder.toml.",
        )
