"""Where a unit finds its broker, whom it believes there, and what lets it in."""

import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from urllib.parse import urlsplit

from paho.mqtt.client import Client

from services.errors import ConfigurationError
from services.tls import client_context

_PORTS = {"mqtt": 1883, "mqtts": 8883}


@dataclass(frozen=True)
class BrokerAt:
    """Where the broker is and who knocks."""

    host: str
    port: int
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    encrypted: bool = False
    ca: Path | None = None
    """The root to believe; None is what the machine believes."""
    credentials: Path | None = None
    """A file of ``ID:SECRET`` lines, or a folder with ``ID.key`` and ``ID.crt`` of every unit."""

    @staticmethod
    def of(url: str, *, ca: Path | None = None, credentials: Path | None = None) -> "BrokerAt":
        """Return the address in ``mqtt://[USER:PASSWORD@]HOST[:PORT]``, or ``mqtts://`` for TLS.

        Raises
        ------
        ConfigurationError
            If the text is none.
        """
        try:
            at = urlsplit(url)
            port = at.port
        except ValueError as error:
            raise ConfigurationError(f"not mqtt://HOST:PORT: {error}", setting="broker") from error
        if at.scheme not in _PORTS or at.hostname is None:
            raise ConfigurationError("neither mqtt://HOST:PORT nor mqtts://HOST:PORT", setting="broker")
        return BrokerAt(
            at.hostname,
            _PORTS[at.scheme] if port is None else port,
            at.username,
            at.password,
            encrypted=at.scheme == "mqtts",
            ca=ca,
            credentials=credentials,
        )

    def prepare(self, client: Client, unit: str) -> None:
        """Give a client what one unit has: its own secret or certificate, and the root it believes.

        Raises
        ------
        ConfigurationError
            If the unit has no credential, or a file cannot be used.
        """
        user, password = self.user, self.password
        own = None
        if self.credentials is not None and self.credentials.is_dir():
            own = self.credentials / f"{unit}.crt", self.credentials / f"{unit}.key"
        elif self.credentials is not None:
            user, password = unit, self._secrets.get(unit)
            if password is None:
                raise ConfigurationError(f"holds no secret of {unit}", setting=self.credentials.name)
        if user is not None:
            client.username_pw_set(user, password)
        if self.encrypted:
            client.tls_set_context(self._context if own is None else client_context(self.ca, *own))

    @cached_property
    def _secrets(self) -> Mapping[str, str]:
        if self.credentials is None:
            return {}
        try:
            lines = self.credentials.read_text(encoding="utf-8").split()
        except OSError as error:
            raise ConfigurationError(f"cannot be read: {error}", setting=str(self.credentials)) from error
        return {unit: secret for unit, colon, secret in (line.partition(":") for line in lines) if colon}

    @cached_property
    def _context(self) -> ssl.SSLContext:
        return client_context(self.ca)
