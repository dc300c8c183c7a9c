"""A real Chromium that may talk to loopback only."""

import contextlib
import ipaddress
import shutil
from collections.abc import Iterator
from urllib.parse import urlsplit

from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, Route, sync_playwright

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
)
DESK = (1366, 768)
PHONE = (360, 740)
_BLOCKED_HERE = "Service Worker registration blocked by Playwright"
"""What pages of the kitchen make the browser say, since a watched page gets no service worker."""
_WITHOUT_HOST = frozenset({"data", "blob", "about"})


def chromium_path() -> str | None:
    """Return where Chromium is, None when there is none.

    The build that has no windows draws the same pages for a third of the work, so it comes first.
    """
    return shutil.which("chromium-headless-shell") or shutil.which("chromium")


def on_loopback(url: str) -> bool:
    """Return whether an address stays on this machine."""
    parts = urlsplit(url)
    if parts.scheme in _WITHOUT_HOST:
        return True
    if parts.hostname == "localhost":
        return True
    try:
        return ipaddress.ip_address(parts.hostname or "").is_loopback
    except ValueError:
        return False


@contextlib.contextmanager
def chromium() -> Iterator[Browser]:
    """Yield a browser that is closed at the end."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=list(FLAGS))
        try:
            yield browser
        finally:
            browser.close()


class Watched:
    """A page with everything it asked for and complained about."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.strays: list[str] = []
        page.on("console", self._on_console)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", lambda request: self.requests.append(request.url))

    def _on_console(self, message: ConsoleMessage) -> None:
        if message.type in {"error", "warning"} and message.text != _BLOCKED_HERE:
            self.complaints.append(message.text)

    def guard(self, route: Route) -> None:
        if on_loopback(route.request.url):
            route.continue_()
        else:
            self.strays.append(route.request.url)
            route.abort()


@contextlib.contextmanager
def watched_page(
    browser: Browser, size: tuple[int, int], *, scripts: bool = True, dark: bool = False
) -> Iterator[Watched]:
    """Yield a page of a size; at the end it must have complained of nothing and asked nobody outside."""
    context: BrowserContext = browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        java_script_enabled=scripts,
        color_scheme="dark" if dark else "light",
        service_workers="block",
    )
    try:
        page = context.new_page()
        page.set_default_timeout(15_000)
        watched = Watched(page)
        context.route("**/*", watched.guard)
        yield watched
        assert watched.strays == [], f"asked for something off this machine: {watched.strays}"
        assert watched.complaints == [], f"the browser complained: {watched.complaints}"
    finally:
        context.close()
