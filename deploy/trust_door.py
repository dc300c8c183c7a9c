"""The one thing a box says without encryption: how a phone comes to trust it, and where its pages are."""

import logging
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from urllib.parse import urlsplit

import uvicorn
from fastapi import APIRouter, Depends, FastAPI, Request
from starlette.responses import RedirectResponse, Response

from dashboards.language import write_for_asker
from dashboards.pages import trust
from dashboards.reports.trustsheet import Trust
from deploy import site_tls
from deploy.impatient import Impatient
from services.api.middleware import SecurityHeaders
from services.errors import ConfigurationError, DependencyUnavailable
from services.settings import Settings

_STARTED_WITHIN_S = 20.0
_AT_ONCE = 32
"""Phones that are answered at the same time; nobody stays long."""


def door_app(room: Trust) -> FastAPI:
    """Return an application that gives instructions and certificate, and sends all else to the pages."""
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    app.state.trust = room
    told = APIRouter(dependencies=[Depends(write_for_asker)])
    told.include_router(trust.router)
    app.include_router(told)

    @app.get("/{path:path}")
    def onward(request: Request, path: str) -> Response:
        """Send to the same page with encryption, at a name of ours only."""
        del path
        asked = (urlsplit(f"//{request.headers.get('host', '')}").hostname or "").lower()
        at = room.hosts.index(asked) if asked in room.hosts else 0
        query = f"?{request.url.query}" if request.url.query else ""
        return RedirectResponse(f"{room.pages[at]}{request.url.path}{query}", 307)

    app.add_middleware(SecurityHeaders)
    return app


@contextmanager
def trust_door(settings: Settings) -> Iterator[None]:
    """Keep the door open while the pages are served; without a port for it there is none.

    Raises
    ------
    ConfigurationError
        If the port is taken.
    DependencyUnavailable
        If it does not open.
    """
    room = site_tls.trust_of(settings)
    if room is None or settings.trust_port is None:
        yield
        return
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((settings.host, settings.trust_port))
        except OSError as error:
            raise ConfigurationError(
                f"{settings.trust_port} cannot be used ({error.strerror}): set another", setting="trust_port"
            ) from error
        config = uvicorn.Config(
            door_app(room),
            log_level=logging.WARNING,
            access_log=False,
            server_header=False,
            http=Impatient,
            limit_concurrency=_AT_ONCE,
            timeout_graceful_shutdown=1,
            lifespan="off",
        )
        server = uvicorn.Server(config)
        # signals belong to the main thread's server; uvicorn takes them in the main thread only
        thread = threading.Thread(target=server.run, args=([listener],), name="trust-door", daemon=True)
        thread.start()
        try:
            _wait(server, thread)
            yield
        finally:
            server.should_exit = True
            thread.join(_STARTED_WITHIN_S)


def _wait(server: uvicorn.Server, thread: threading.Thread) -> None:
    end = time.monotonic() + _STARTED_WITHIN_S
    while not server.started:
        if not thread.is_alive() or time.monotonic() > end:
            raise DependencyUnavailable("the page for new phones (trust_port) did not open")
        time.sleep(0.02)
