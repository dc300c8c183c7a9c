"""Why a message was not taken, in words for whoever set the way up: what happened, and what to do next."""

import smtplib
import socket
import ssl
from http.client import HTTPException

_SHOWN = 160
"""Letters of another machine's answer that are repeated."""
_NO_SUCH_HOST = "{host} was not found: there is no such name."
_REFUSED = "{host} refused the connection{port}."
_NO_ANSWER = "{host} did not answer within {within_s:g} s."
_BELIEF = "The certificate of {host} cannot be believed: {reason}."
_NO_TLS = "{host} does not speak TLS{port}, or not as it is expected."
_NO_WAY = "{host} cannot be reached from here."
_BROKEN_OFF = "{host} broke the connection off."


class NotTakenError(Exception):
    """A message was not taken."""

    def __init__(self, words: str, todo: str = "", *, lasting: bool = False) -> None:
        """Say what happened, what to do, and whether trying again is of no use."""
        super().__init__(words)
        self.words = words
        self.todo = todo
        self.lasting = lasting


def of_connection(error: Exception, host: str, port: int | None, within_s: float) -> NotTakenError:
    """Return why another machine could not be spoken to."""
    where = "" if port is None else f" on port {port}"
    words, todo = _connection(error)
    reason = getattr(error, "verify_message", "") or "it is not signed by anybody this machine knows"
    return NotTakenError(words.format(host=host, port=where, within_s=within_s, reason=reason), todo)


_CONNECTION: tuple[tuple[tuple[type[Exception], ...], str, str], ...] = (
    (
        (socket.gaierror,),
        _NO_SUCH_HOST,
        "Look at how it is spelled, and whether this box has a link to outside.",
    ),
    (
        (TimeoutError,),
        _NO_ANSWER,
        "Look at the link to outside, and whether a firewall keeps this port shut.",
    ),
    (
        (ConnectionRefusedError,),
        _REFUSED,
        "Nothing listens there: look at the port, and at the other machine.",
    ),
    (
        (ssl.SSLCertVerificationError,),
        _BELIEF,
        "Use the name the certificate is for, or name its root in the settings.",
    ),
    ((ssl.SSLError,), _NO_TLS, "Look at the port, and at whether it is TLS from the start or later."),
    (
        (ConnectionError, EOFError, HTTPException, smtplib.SMTPServerDisconnected),
        _BROKEN_OFF,
        "Often the port or the kind of TLS is the wrong one.",
    ),
)
"""Words, with places for host and port, and what to do; the first that fits."""


def _connection(error: Exception) -> tuple[str, str]:
    for kinds, words, todo in _CONNECTION:
        if isinstance(error, kinds):
            return words, todo
    return _NO_WAY, "Look at the link to outside."


def of_mail(error: Exception, host: str, port: int, within_s: float, hide: tuple[str, ...]) -> NotTakenError:
    """Return why a mail server did not take a message; what is in `hide` is not repeated."""
    match error:
        case smtplib.SMTPAuthenticationError():
            return NotTakenError(
                f"{host} refused the login: user or password is wrong. {_said(error, hide)}",
                "Many providers want a password made for programs (an app password), not your own.",
            )
        case smtplib.SMTPRecipientsRefused():
            code, said = next(iter(error.recipients.values()))
            return NotTakenError(
                f"{host} refused the address the message goes to. {_repeated(code, said, hide)}",
                "Look at how the address is spelled.",
                lasting=_is_lasting(code),
            )
        case smtplib.SMTPSenderRefused():
            return NotTakenError(
                f"{host} refused the address the message comes from. {_said(error, hide)}",
                "Set mail_from to an address this login may send from.",
            )
        case smtplib.SMTPNotSupportedError():
            return NotTakenError(
                f"{host} does not offer what is needed: {_clean(str(error), hide)}",
                "Look at mail_tls and mail_port: 587 goes with starttls, 465 with tls.",
            )
        case smtplib.SMTPResponseException():
            return NotTakenError(
                f"{host} did not take the message. {_said(error, hide)}",
                "The answer of the server says why.",
                lasting=isinstance(error, smtplib.SMTPDataError) and _is_lasting(error.smtp_code),
            )
        case _:
            gone = isinstance(error, smtplib.SMTPServerDisconnected)
            silent = gone and isinstance(error.__context__, TimeoutError)
            return of_connection(TimeoutError() if silent else error, host, port, within_s)


def _is_lasting(code: int) -> bool:
    """Return whether a server says that trying again is of no use (RFC 5321, 4.2.1: 5yz)."""
    return 500 <= code < 600  # noqa: PLR2004 - the range of the standard


def _said(error: smtplib.SMTPResponseException, hide: tuple[str, ...]) -> str:
    return _repeated(error.smtp_code, error.smtp_error, hide)


def _repeated(code: int, said: bytes | str, hide: tuple[str, ...]) -> str:
    text = said.decode("utf-8", "replace") if isinstance(said, bytes) else said
    return f"It said: {code} {_clean(text, hide)}"


def _clean(text: str, hide: tuple[str, ...]) -> str:
    """Return somebody else's words on one line, without addresses and secrets."""
    for word in hide:
        text = text.replace(word, "…") if word else text
    printable = "".join(letter if letter.isprintable() else " " for letter in text)
    return " ".join(printable.split())[:_SHOWN]
