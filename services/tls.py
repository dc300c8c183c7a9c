"""How this house speaks TLS as a client: 1.2 or newer, and the other side must be who it is called."""

import ssl
from pathlib import Path

from services.errors import ConfigurationError


class _ClosingSocket(ssl.SSLSocket):
    """Closes itself when the other side proves to be the wrong one; the client library would forget it."""

    def do_handshake(self, block: bool = False) -> None:  # noqa: FBT001, FBT002 - as in the class above it
        """Shake hands, or close."""
        try:
            super().do_handshake(block)
        except (OSError, ValueError):
            self.close()
            raise


def client_context(
    ca: Path | None, certificate: Path | None = None, key: Path | None = None
) -> ssl.SSLContext:
    """Return how to connect; without `ca` what the machine believes is believed.

    Raises
    ------
    ConfigurationError
        If root, certificate or key cannot be read.
    """
    try:
        context = ssl.create_default_context(cafile=ca)
        if certificate is not None:
            context.load_cert_chain(certificate, key)
    except (OSError, ssl.SSLError) as error:
        raise ConfigurationError(
            f"root, certificate or key cannot be used: {error}", setting="broker_ca"
        ) from error
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.sslsocket_class = _ClosingSocket
    return context
