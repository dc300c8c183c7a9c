"""Where a unit finds its broker."""

from dataclasses import dataclass
from urllib.parse import urlsplit

from services.errors import ConfigurationError


@dataclass(frozen=True)
class BrokerAt:
    """Where the broker is and who knocks."""

    host: str
    port: int
    user: str | None = None
    password: str | None = None

    @staticmethod
    def of(url: str) -> "BrokerAt":
        """Return the address in ``mqtt://[USER:PASSWORD@]HOST[:PORT]``.

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
        if at.scheme != "mqtt" or at.hostname is None:
            raise ConfigurationError("not mqtt://HOST:PORT", setting="broker")
        return BrokerAt(at.hostname, 1883 if port is None else port, at.username, at.password)
