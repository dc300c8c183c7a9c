"""Serves the real application on a free loopback port for as long as a test needs it."""

import asyncio
import contextlib
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import uvicorn
from fastapi import FastAPI

from deploy.impatient import Impatient


def browsing(app: FastAPI, **headers: str) -> httpx.AsyncClient:
    """Return a client within this process that says, as a browser does, which site a request is from."""
    return httpx.AsyncClient(
        transport=httpx.ASGITransport(app),
        base_url="http://localhost",
        headers={"sec-fetch-site": "same-origin", **headers},
    )


@contextlib.contextmanager
def serving(
    app: FastAPI, tls: tuple[Path, Path] | None = None, http: type[asyncio.Protocol] = Impatient
) -> Iterator[str]:
    """Yield the address the application answers on, with a certificate and its key by TLS."""
    # the protocol is named so that small answers are not held back for an acknowledgement
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP) as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(64)
        config = uvicorn.Config(app, log_level="critical", timeout_graceful_shutdown=1, ws="none", http=http)
        if tls is not None:
            config.ssl_certfile, config.ssl_keyfile = tls
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
        thread.start()
        try:
            deadline = time.monotonic() + 10
            while not server.started:
                if time.monotonic() > deadline or not thread.is_alive():
                    raise RuntimeError("the web server did not start")
                time.sleep(0.01)
            scheme = "http" if tls is None else "https"
            yield f"{scheme}://127.0.0.1:{listener.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join(10)
