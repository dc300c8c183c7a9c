"""Looks at a certificate that somebody else made, before the pages are served with it."""

import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import serialization

from deploy.certificates import days_left, hosts_of
from services.errors import ConfigurationError

_SETTING = "--certificate"
_FULL_CHAIN = "its file must hold it and every authority between it and a root, in this order"
_WORDS = {
    9: "is not valid yet: is this machine's clock right?",
    10: "it, or an authority above it, has run out",
    18: "signs for itself, and nobody vouches for it: give its own file as --authority too",
    19: "leads to a root that this machine does not know: give that root as --authority",
    20: f"no known authority vouches for it: {_FULL_CHAIN}, or give your own root as --authority",
    21: f"no known authority vouches for it: {_FULL_CHAIN}, or give your own root as --authority",
    26: "was not made for servers",
    47: "its authority may not speak for these names",
    48: "its authority may not speak for these names",
    62: "is not for the name",
    64: "is not for the address",
}
"""What OpenSSL's reasons (x509_vfy.h) mean for whoever has to do something about them."""
_MOST_STEPS = 20


@dataclass(frozen=True, slots=True)
class Given:
    """A certificate that browsers will take."""

    hosts: tuple[str, ...]
    days: int


def look(certificate: Path, key: Path, hosts: Sequence[str], *, authority: Path | None, now_ms: int) -> Given:
    """Return what a certificate is for, after a browser's handshake with it for every host asked for.

    Raises
    ------
    ConfigurationError
        In plain words: what is wrong with it, and what to do.
    """
    named = _names(certificate)
    days = days_left(certificate, now_ms=now_ms)
    if days < 0:
        raise ConfigurationError(f"ran out {-days} days ago: get a new one", setting=_SETTING)
    _matching(certificate, key)
    wanted = tuple(hosts) or tuple(name.replace("*.", "box.") for name in named)
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        server.load_cert_chain(certificate, key)
        client = ssl.create_default_context(cafile=authority)
    except (OSError, ssl.SSLError) as error:
        raise ConfigurationError(f"cannot be used: {error}", setting=_SETTING) from error
    for host in wanted:
        _greet(server, client, host, named)
    return Given(named, days)


def _names(certificate: Path) -> tuple[str, ...]:
    try:
        return hosts_of(certificate.read_bytes())
    except (OSError, ValueError) as error:
        raise ConfigurationError(
            f"{certificate.name} holds no certificate as PEM: {error}", setting=_SETTING
        ) from error
    except x509.ExtensionNotFound as error:
        raise ConfigurationError(
            "names no hosts (subject alternative names): no browser takes it", setting=_SETTING
        ) from error


def _matching(certificate: Path, key: Path) -> None:
    try:
        private = serialization.load_pem_private_key(key.read_bytes(), password=None)
    except TypeError as error:
        raise ConfigurationError(
            "is locked with a passphrase, and the box starts by itself: give it without", setting="--key"
        ) from error
    except (OSError, ValueError) as error:
        raise ConfigurationError(f"{key.name} holds no key as PEM: {error}", setting="--key") from error
    if key.stat().st_mode & 0o077:
        raise ConfigurationError(f"others may read it: chmod 600 {key.name}", setting="--key")
    form = (serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo)
    first = x509.load_pem_x509_certificate(certificate.read_bytes())
    if first.public_key().public_bytes(*form) != private.public_key().public_bytes(*form):
        raise ConfigurationError(
            "does not belong to the first certificate of the file: the box's own must come first",
            setting="--key",
        )


def _greet(server: ssl.SSLContext, client: ssl.SSLContext, host: str, named: Sequence[str]) -> None:
    """Let a client and a server of this certificate shake hands, without a network."""
    up, down = ssl.MemoryBIO(), ssl.MemoryBIO()
    asking = client.wrap_bio(down, up, server_hostname=host)
    answering = server.wrap_bio(up, down, server_side=True)
    for _ in range(_MOST_STEPS):
        done = 0
        for side in (asking, answering):
            try:
                side.do_handshake()
                done += 1
            except ssl.SSLWantReadError:
                pass
            except ssl.SSLCertVerificationError as error:
                words = _WORDS.get(error.verify_code, error.verify_message)
                about = f" {host}; it is for {', '.join(named)}" if error.verify_code in {62, 64} else ""
                raise ConfigurationError(f"{words}{about}", setting=_SETTING) from error
            except ssl.SSLError as error:
                raise ConfigurationError(f"cannot be used: {error.reason}", setting=_SETTING) from error
        if done == len((asking, answering)):
            return
    raise ConfigurationError("a browser cannot agree with it", setting=_SETTING)
