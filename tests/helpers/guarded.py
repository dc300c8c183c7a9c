"""The larder's application with accounts: real sessions, devices and tokens over real records."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import httpx
from fastapi import FastAPI
from pwdlib.hashers.argon2 import Argon2Hasher

from dashboards.pages.router import STATIC_DIR, page_router, problem_page
from services.api.accountdesk import AccountDesk
from services.api.app import create_app
from services.api.entry import AccountAccess, DemoAccess
from services.api.passwords import Passwords
from tests.helpers.larder import NOW_MS, Larder

PASSWORD = "seven copper kettles"  # noqa: S105 - of invented people
CHEAP = Argon2Hasher(time_cost=1, memory_cost=8, parallelism=1)
"""So that tests need not wait; the real costs have a test of their own."""
HERE = "http://localhost:8420"
SECURE = "https://lodge.example"

CREW = {
    "manager": ("Thandi M.", None),
    "cook": ("Jonas K.", frozenset({"river-camp"})),
    "workshop": ("Wes P.", None),
    "inspector": ("Ines R.", frozenset({"river-camp"})),
    "administrator": ("Ada B.", None),
}
"""Role: name, and the places that are seen."""


class Guarded:
    """An application, its accounts, and browsers of its people."""

    def __init__(self, larder: Larder, *, demo: bool = False, crew: bool = True) -> None:
        self.records = larder.records
        self.now_ms = NOW_MS
        access = DemoAccess if demo else AccountAccess
        self.app: FastAPI = create_app(
            records=larder.records,
            reader=larder.reader,
            clock=lambda: self.now_ms,
            box=larder.box,
            access=access(larder.records, lambda: self.now_ms),
            accounts=AccountDesk(larder.records, lambda: self.now_ms, Passwords(CHEAP)),
            pages=page_router(),
            static_dir=STATIC_DIR,
            problem_page=problem_page,
        )
        if crew:
            for role in CREW:
                self.let_in(role)

    def let_in(self, role: str) -> None:
        """Give one of the crew an account with the password of all."""
        name, sites = CREW[role]
        code = self.records.invite(name, role, sites, who=CREW["administrator"][0], now_ms=self.now_ms)
        hashed = Passwords(CHEAP).hash(PASSWORD)
        self.records.use_code(code, name="", hashed=hashed, now_ms=self.now_ms)

    def account(self, role: str):
        """Return the account of a role."""
        return next(each for each in self.records.accounts() if each.name == CREW[role][0])

    def browser(self, base: str = HERE, **headers: str) -> httpx.AsyncClient:
        """Return a browser that has not come in, as such ones ask: it says which site a request is from."""
        return httpx.AsyncClient(
            transport=httpx.ASGITransport(self.app, client=("10.20.30.40", 5000)),
            base_url=base,
            headers={"accept": "text/html", "sec-fetch-site": "same-origin", **headers},
        )

    @asynccontextmanager
    async def come_in(self, role: str, base: str = HERE, **headers: str) -> AsyncIterator[httpx.AsyncClient]:
        """Yield a browser in which one of the crew has logged in through the page."""
        async with self.browser(base, **headers) as found:
            answer = await found.post("/login", data={"name": CREW[role][0], "password": PASSWORD})
            assert answer.status_code == 303, answer.text
            yield found

    def program(self, token: str, base: str = HERE) -> httpx.AsyncClient:
        """Return a program with a token."""
        return httpx.AsyncClient(
            transport=httpx.ASGITransport(self.app),
            base_url=base,
            headers={"authorization": f"Bearer {token}"},
        )
