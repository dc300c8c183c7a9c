"""A camp in a real browser with its service worker, whose connection and replies can be taken away."""

import contextlib
import time
from collections.abc import Callable, Iterator

from playwright.sync_api import Browser, BrowserContext, Page

from tests.helpers.browser import on_loopback
from tests.helpers.guarded import Guarded
from tests.helpers.web import serving

PATIENCE_S = 60.0
"""Far longer than anything here takes: a test waits for what must come, it does not measure."""
PIN = "2580"
CAMP = "/camp/river-camp"


def wait_for(true: Callable[[], object], what: str, page: Page | None = None) -> None:
    """Wait until something is so; with a page its routes go on being answered meanwhile."""
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline, f"never came: {what}"
        if page is None:
            time.sleep(0.05)
        else:
            page.wait_for_timeout(50)


class Camp:
    """An application with accounts, what it was told, and phones that come in."""

    def __init__(self, guarded: Guarded, base: str, browser: Browser) -> None:
        self.guarded, self.base, self.records = guarded, base, guarded.records
        self._browser = browser
        self.strays: list[str] = []

    def said(self, unit: str, kind: str) -> list:
        """Return the statements of one kind, oldest first."""
        return [each for each in reversed(self.records.statements(unit)) if each.kind == kind]

    @contextlib.contextmanager
    def phone(self, secret: str | None = None) -> Iterator[BrowserContext]:
        """Yield a phone with a service worker, in which somebody has come in."""
        context = self._browser.new_context(viewport={"width": 360, "height": 740})
        context.set_default_timeout(PATIENCE_S * 1000)
        context.on("request", self._watch)
        if secret is not None:
            context.add_cookies([{"name": "bushlarder", "value": secret, "url": self.base}])
        try:
            yield context
        finally:
            context.set_offline(False)
            context.close()
        assert self.strays == [], f"asked for something off this machine: {self.strays}"

    def _watch(self, request) -> None:
        if not on_loopback(request.url):
            self.strays.append(request.url)

    def cook(self) -> str:
        """Return the secret of a session of the cook."""
        return self.records.begin_session(self.guarded.account("cook").no, now_ms=self.guarded.now_ms)

    def device(self) -> str:
        """Return the secret of a phone that the kitchen's people use."""
        sites, now_ms = frozenset({"river-camp"}), self.guarded.now_ms
        code = self.records.device_code("Kitchen phone", sites, who="Ada B.", now_ms=now_ms)
        return self.records.enrol(code, now_ms=now_ms)


@contextlib.contextmanager
def camp_of(guarded: Guarded, browser: Browser) -> Iterator[Camp]:
    """Yield a camp that answers."""
    with serving(guarded.app) as base:
        yield Camp(guarded, base, browser)


def ready(page: Page, address: str) -> None:
    """Open a page and wait until this phone has kept all it needs."""
    page.goto(address)
    kept(page)


def kept(page: Page) -> None:
    """Wait until this phone has kept the pages of the camp."""
    page.locator("html[data-kept]:not([data-kept='0'])").wait_for(state="attached")


def told(page: Page) -> str:
    """Return what the outbox says, empty when it holds nothing."""
    found = page.locator("#outbox")
    return found.inner_text() if found.count() else ""


def outbox_empty(page: Page) -> None:
    """Wait until the outbox is gone from the page."""
    page.locator("#outbox").wait_for(state="detached")
