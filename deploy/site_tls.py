"""TLS of the pages on a site: an authority of its own in the data folder, and what the settings say of it."""

import contextlib
import os
import socket
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from cryptography import x509
from cryptography.hazmat.primitives import serialization
from cryptography.x509.oid import NameOID

from dashboards.reports.trustsheet import Trust, addresses_first
from deploy import certificates
from deploy.broker_setup import write_private
from deploy.certificates import PAGES_SETTING, REMIND_DAYS, Pair
from services.errors import ConfigurationError
from services.settings import Settings

DOOR_PORT = 8421
"""Where phones that do not know the authority yet are told of it, without encryption."""
_NOWHERE = ("192.0.2.1", 9)
"""An address for documents only (RFC 5737, 3): nothing is sent, the machine only chooses its own side."""


@dataclass(frozen=True)
class TlsFolder:
    """Where the pages' certificate and its authority lie."""

    path: Path

    @property
    def root(self) -> Path:
        """What phones install."""
        return self.path / "authority.crt"

    @property
    def issuer(self) -> Path:
        """What signs for the pages in the root's name."""
        return self.path / "issuer.crt"

    @property
    def issuer_key(self) -> Path:
        """Its key: whoever has it can pretend to be this box, and nobody else."""
        return self.path / "issuer.key"

    @property
    def certificate(self) -> Path:
        """What the pages are served with, its issuer behind it."""
        return self.path / "pages.crt"

    @property
    def key(self) -> Path:
        """Its key."""
        return self.path / "pages.key"


def folder_of(data: Path) -> TlsFolder:
    """Return where a box keeps its own authority."""
    return TlsFolder((data / "tls").resolve())


@dataclass(frozen=True, slots=True)
class Done:
    """What setting up led to."""

    hosts: tuple[str, ...]
    made: Literal["authority", "certificate", "nothing"]
    """What is new: both, the certificate only, or neither."""


def own_hosts() -> tuple[str, ...]:
    """Return by which addresses and names the machine says it is reached."""
    name = socket.gethostname().lower()
    found = [*_addresses(name)]
    if name not in {"", "localhost"} and all(
        label.replace("-", "").isalnum() and label.isascii() for label in name.split(".")
    ):
        found += [name] if "." in name else [name, f"{name}.local"]
    return tuple(found)


def _addresses(name: str) -> list[str]:
    found = set()
    # without a network there is no side to choose
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(_NOWHERE)
        found.add(str(probe.getsockname()[0]))
    with contextlib.suppress(OSError):  # nobody knows the name
        found |= {str(row[4][0]) for row in socket.getaddrinfo(name, None, socket.AF_INET)}
    return sorted(each for each in found if not each.startswith("127."))


def set_up(
    folder: TlsFolder, hosts: Sequence[str], *, now_ms: int, renew: bool = False, anew: bool = False
) -> Done:
    """Make authority and certificate, or what of them is missing; an authority that is there goes on.

    Raises
    ------
    ConfigurationError
        If nobody says how the pages are reached, or the authority may not speak for that.
    """
    fresh = anew or not folder.root.exists()
    if renew and fresh and not anew:
        raise ConfigurationError("there is no authority here yet: leave --renew away", setting="--renew")
    wanted = tuple(dict.fromkeys(host.lower() for host in hosts))
    if fresh:
        return Done(_begin(folder, wanted or own_hosts(), now_ms=now_ms), "authority")
    before = certificates.hosts_of(folder.certificate.read_bytes())
    wanted = wanted or before
    if beyond := sorted(set(wanted) - set(certificates.confined_to(folder.issuer.read_bytes()))):
        raise ConfigurationError(
            f"the authority that phones trust may not speak for {', '.join(beyond)}: --new-authority makes "
            "another, which every phone then needs",
            setting=PAGES_SETTING,
        )
    left = certificates.days_left(folder.certificate, now_ms=now_ms)
    if not renew and set(wanted) == set(before) and left > REMIND_DAYS:
        return Done(before, "nothing")
    issuer = Pair(folder.issuer.read_bytes(), folder.issuer_key.read_bytes())
    _serve(folder, certificates.of_pages(issuer, wanted, now_ms=now_ms))
    return Done(wanted, "certificate")


def _begin(folder: TlsFolder, hosts: Sequence[str], *, now_ms: int) -> tuple[str, ...]:
    made = certificates.site_authority(hosts, now_ms=now_ms)
    folder.path.mkdir(parents=True, exist_ok=True)
    folder.path.chmod(0o700)
    _as_the_data(folder.path)
    _put(folder.issuer_key, made.issuer.key)
    _put(folder.issuer, made.issuer.certificate)
    _put(folder.root, made.root)
    _serve(folder, certificates.of_pages(made.issuer, hosts, now_ms=now_ms))
    return tuple(hosts)


def _serve(folder: TlsFolder, pages: Pair) -> None:
    _put(folder.key, pages.key)
    _put(folder.certificate, pages.certificate)


def _put(file: Path, content: bytes) -> None:
    write_private(file, content, owner=None)
    _as_the_data(file)


def _as_the_data(path: Path) -> None:
    """Give a file to whoever the data belong to, when root sets up what another account serves."""
    if os.geteuid() == 0:
        whose = path.parent.stat()
        os.chown(path, whose.st_uid, whose.st_gid)


def hosts_served(certificate: Path) -> tuple[str, ...]:
    """Return the names and addresses of the certificate the pages are served with.

    Raises
    ------
    ConfigurationError
        If its file cannot be read.
    """
    try:
        return certificates.hosts_of(certificate.read_bytes())
    except (OSError, ValueError, x509.ExtensionNotFound) as error:
        raise ConfigurationError(f"cannot be read: {error}", setting="tls_certificate") from error


def trust_of(settings: Settings) -> Trust | None:
    """Return what phones are told of the authority; None where nobody has to install one.

    Raises
    ------
    ConfigurationError
        If a file that the settings name cannot be read.
    """
    if settings.tls_authority is None or settings.tls_certificate is None:
        return None
    try:
        pem = settings.tls_authority.read_bytes()
        root = x509.load_pem_x509_certificate(pem)
    except (OSError, ValueError) as error:
        raise ConfigurationError(f"cannot be read: {error}", setting="tls_authority") from error
    called = root.subject.get_attributes_for_oid(NameOID.COMMON_NAME)
    return Trust(
        name=str(called[0].value) if called else root.subject.rfc4514_string(),
        pem=pem,
        der=root.public_bytes(serialization.Encoding.DER),
        fingerprint=certificates.fingerprint(pem),
        until=root.not_valid_after_utc.date().isoformat(),
        hosts=addresses_first(hosts_served(settings.tls_certificate)),
        port=settings.port,
        door=settings.trust_port,
    )
