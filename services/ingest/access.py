"""How the service gets to its broker: where it is, who we are, and whom we believe."""

import ssl
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import paho.mqtt.client as mqtt

from services.errors import ConfigurationError
from services.tls import client_context

LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})


@dataclass(frozen=True)
class Access:
    """A broker's address and what is needed to be let in."""

    url: str
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    ca: Path | None = None
    """The root to believe; None is what the machine believes."""
    certificate: Path | None = None
    key: Path | None = None

    def place(self) -> tuple[str, int]:
        """Return host and port.

        Raises
        ------
        ConfigurationError
            If the URL is not ``mqtt://HOST:PORT`` or ``mqtts://HOST:PORT``.
        """
        parts = urlsplit(self.url)
        try:
            port = parts.port
        except ValueError as error:
            raise ConfigurationError(f"no usable port: {error}", setting="broker_url") from error
        if parts.scheme not in {"mqtt", "mqtts"} or not parts.hostname:
            raise ConfigurationError(
                "the broker URL is neither mqtt://HOST:PORT nor mqtts://HOST:PORT", setting="broker_url"
            )
        return parts.hostname, port or (8883 if parts.scheme == "mqtts" else 1883)

    @property
    def encrypted(self) -> bool:
        """Whether the way is encrypted."""
        return urlsplit(self.url).scheme == "mqtts"

    def require_private(self) -> None:
        """Raise ConfigurationError when words or secrets would travel in clear to another machine."""
        host, _ = self.place()
        if not self.encrypted and host not in LOOPBACK:
            raise ConfigurationError(
                f"{host} is another machine: only mqtts:// goes there (mqtt:// stays on this one)",
                setting="broker_url",
            )

    def context(self) -> ssl.SSLContext | None:
        """Return how to encrypt, None when the way is not encrypted."""
        return client_context(self.ca, self.certificate, self.key) if self.encrypted else None

    def apply(self, client: mqtt.Client) -> None:
        """Tell a client."""
        context = self.context()
        if context is not None:
            client.tls_set_context(context)
        parts = urlsplit(self.url)
        user = parts.username if self.user is None else self.user
        if user is not None:
            client.username_pw_set(user, parts.password if self.password is None else self.password)
