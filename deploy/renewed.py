"""Serves with a renewed certificate without a new start: visitors of the live stream stay connected."""

import ssl
from pathlib import Path

import structlog
import uvicorn

_log = structlog.get_logger(__name__)


class Renewed:
    """Looks now and then whether the files of a certificate were replaced."""

    def __init__(self, config: uvicorn.Config, certificate: Path, key: Path) -> None:
        """Take the server's configuration and the files it was started with."""
        self._config = config
        self._files = (certificate, key)
        self._seen = self._stamps()

    def _stamps(self) -> tuple[tuple[int, int], ...] | None:
        try:
            return tuple((s.st_mtime_ns, s.st_ino) for s in (file.stat() for file in self._files))
        except OSError:
            return None

    def look(self) -> bool:
        """Take a new certificate into service; return whether there was one that can be used."""
        now = self._stamps()
        if now is None or now == self._seen or self._config.ssl is None:
            return False
        try:
            # tried elsewhere first: a certificate beside the old key would leave the server without either
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(*self._files)
            self._config.ssl.load_cert_chain(*self._files)
        except (OSError, ssl.SSLError) as error:
            _log.warning("web.certificate.not_taken", error=type(error).__name__, detail=str(error))
            return False
        self._seen = now
        _log.info("web.certificate.renewed")
        return True
