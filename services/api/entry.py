"""How whoever asks comes in: by a session, as an enrolled device, with a token, or not at all."""

import ipaddress
from collections.abc import Callable
from typing import Protocol

import anyio.to_thread
from starlette.requests import HTTPConnection

from services.api.access import ANYBODY, Asker
from services.records.crew import Entered, Token

SECURE_COOKIE, PLAIN_COOKIE = "__Host-bushlarder", "bushlarder"
"""The plain one is for this machine only, where there is no TLS."""


class EntryBook(Protocol):
    """What coming in needs of the records."""

    def session(self, secret: str, *, now_ms: int) -> Entered | None:
        """Return who a session belongs to."""

    def token(self, token: str) -> Token | None:
        """Return what a token allows."""

    def has_administrator(self) -> bool:
        """Return whether somebody can let people in."""


class Access(Protocol):
    """Who may come in, and how."""

    @property
    def open(self) -> bool:
        """Whether nobody has to log in."""

    @property
    def demo(self) -> bool:
        """Whether this is the demonstration."""

    async def asker(self, request: HTTPConnection) -> Asker | None:
        """Return who asks, None when nobody has come in."""

    async def empty(self) -> bool:
        """Return whether the first account is still to be made."""


class OpenAccess:
    """Nobody logs in and everybody may do everything: for tests and programs of one's own."""

    open = True
    demo = False

    async def asker(self, request: HTTPConnection) -> Asker | None:
        """Return anybody."""
        del request
        return ANYBODY

    async def empty(self) -> bool:
        """Return no: nobody waits for an account."""
        return False


class AccountAccess:
    """Only who has a session, an enrolled device or a token."""

    open = False
    demo = False

    def __init__(self, book: EntryBook, clock: Callable[[], int]) -> None:
        """Take the records and the clock."""
        self._book = book
        self._clock = clock
        self._begun = False

    async def asker(self, request: HTTPConnection) -> Asker | None:
        """Return who asks, None when nobody has come in."""
        bearer = bearer_of(request)
        if bearer is not None:
            return _machine(await anyio.to_thread.run_sync(self._book.token, bearer))
        secret = secret_of(request)
        return None if secret is None else await anyio.to_thread.run_sync(self._by_session, secret)

    def _by_session(self, secret: str) -> Asker | None:
        found = self._book.session(secret, now_ms=self._clock())
        if found is None:
            return None
        return Asker(
            kind="device" if found.account is None else "person",
            name=found.name,
            role=found.role,
            sites=found.sites,
            account=found.account,
            session=found.digest,
            language=found.language,
            degrees=found.degrees,
            demo=self.demo,
        )

    async def empty(self) -> bool:
        """Return whether the first account is still to be made; once there is one it stays no."""
        if not self._begun:
            self._begun = await anyio.to_thread.run_sync(self._book.has_administrator)
        return not self._begun


class DemoAccess(AccountAccess):
    """The demonstration: anybody looks at everything, or chooses to be one of its people."""

    open = True
    demo = True

    async def asker(self, request: HTTPConnection) -> Asker | None:
        """Return the person that was chosen, else anybody; from this machine only."""
        if not names_this_machine(request.headers.get("host", "")):
            return None  # a page elsewhere that had its own name lead here
        return await super().asker(request) or DEMO_ANYBODY

    async def empty(self) -> bool:
        """Return no: the demonstration has no passwords."""
        return False


DEMO_ANYBODY = Asker(kind="anybody", name="", role="administrator", sites=None, demo=True)


def _machine(found: Token | None) -> Asker | None:
    if found is None:
        return None
    return Asker(kind="machine", name=found.label, role=found.role, sites=found.sites, session=found.digest)


def bearer_of(request: HTTPConnection) -> str | None:
    """Return the token a program shows, None when it shows none."""
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    return token.strip() if scheme.lower() == "bearer" and token.strip() else None


def is_secure(request: HTTPConnection) -> bool:
    """Return whether the request came over TLS, here or in front of us."""
    return request.url.scheme in {"https", "wss"}


def cookie_name(request: HTTPConnection) -> str:
    """Return what the session's cookie is called on this connection."""
    return SECURE_COOKIE if is_secure(request) else PLAIN_COOKIE


def secret_of(request: HTTPConnection) -> str | None:
    """Return the secret of the session; over plain HTTP only on this machine."""
    if not is_secure(request) and not names_this_machine(request.headers.get("host", "")):
        return None
    return request.cookies.get(cookie_name(request))


def names_this_machine(host: str) -> bool:
    """Return whether a ``Host`` names the machine the browser itself runs on."""
    name = host.rpartition(":")[0] if ":" in host and not host.endswith("]") else host
    name = name.strip("[]")
    if name == "localhost":
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False
