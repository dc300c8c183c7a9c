"""The broker that units in the field reach: its configuration, credentials and certificates in one folder."""

import os
import pwd
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from deploy import certificates, password_file
from deploy.certificates import Pair
from services.errors import ConfigurationError
from services.telemetry.topics import ROOT

UNIT_PORT, SERVICE_PORT = 8883, 1883
SERVICE_USER = "service.ingest"
"""No unit can be called so: the dot is not allowed in a unit's id."""
BROKER_USER = "mosquitto"
"""Whom the broker becomes when it is started by root."""
CHECK_TOPIC = "bushlarder/check"
"""Where `doctor` may send itself a message."""

_COMMON = """\
# Made by `bushlarder setup broker`. Nobody comes in without a name and a secret of their own.
per_listener_settings false
allow_anonymous false
password_file {folder}/passwords
acl_file {folder}/rules
pid_file {folder}/state/broker.pid
{user}
persistence true
persistence_location {folder}/state/
autosave_interval 5
persistent_client_expiration 14d
max_queued_messages 0
max_queued_bytes 268435456
message_size_limit 65536
max_packet_size 131072
max_keepalive 3600
set_tcp_nodelay true
connection_messages true
log_dest stderr
log_dest topic
log_type error
log_type warning
log_type notice

# Units: TLS 1.2 or newer, the session goes by the name that was proved.
listener {unit_port}
max_connections 2000
use_username_as_clientid true
tls_version tlsv1.2
cafile {folder}/ca.crt
certfile {folder}/broker.crt
keyfile {folder}/broker.key
{mutual}
# The service on this machine.
listener {service_port} 127.0.0.1
"""
"""Queue, sizes and autosave as measured for this contract: a full queue drops the newest while still
answering success, so it is bounded by bytes, not by count."""

_MUTUAL = """\
require_certificate true
use_identity_as_username true
crlfile {folder}/revoked.crl
"""

_RULES = f"""\
user {SERVICE_USER}
topic read {ROOT}/+/+/up/#
topic read {ROOT}/+/+/status
topic write {ROOT}/+/+/down/#
topic read $SYS/broker/log/#
topic readwrite {CHECK_TOPIC}/#

pattern write {ROOT}/+/%u/up/#
pattern write {ROOT}/+/%u/status
pattern read {ROOT}/+/%u/down/#
"""
"""A unit writes and reads under its own name only; the service never speaks as a unit."""


@dataclass(frozen=True)
class BrokerFolder:
    """Where everything of a broker lies. Only `authority` is not the broker's: keep its key elsewhere."""

    path: Path

    @property
    def configuration(self) -> Path:
        """What the broker is started with."""
        return self.path / "mosquitto.conf"

    @property
    def passwords(self) -> Path:
        """Names and salted hashes."""
        return self.path / "passwords"

    @property
    def rules(self) -> Path:
        """Who may use which topic."""
        return self.path / "rules"

    @property
    def ca(self) -> Path:
        """The root's certificate; every unit needs a copy."""
        return self.path / "ca.crt"

    @property
    def ca_key(self) -> Path:
        """The root's key; needed to renew, and for units with certificates."""
        return self.path / "authority" / "ca.key"

    @property
    def certificate(self) -> Path:
        """The broker's certificate."""
        return self.path / "broker.crt"

    @property
    def key(self) -> Path:
        """The broker's key."""
        return self.path / "broker.key"

    @property
    def revoked(self) -> Path:
        """Certificates of units that are not let in any more; only there with mutual TLS."""
        return self.path / "revoked.crl"

    @property
    def units(self) -> Path:
        """Certificates of units, without their keys."""
        return self.path / "units"

    @property
    def service_secret(self) -> Path:
        """The service's own secret."""
        return self.path / "service.secret"

    @property
    def pid(self) -> Path:
        """The number of the running broker."""
        return self.path / "state" / "broker.pid"

    @property
    def mutual(self) -> bool:
        """Whether units show certificates in place of passwords."""
        return self.revoked.exists()

    @property
    def owner(self) -> str | None:
        """Whose the broker's files are; None where that is whoever starts it."""
        rows = [row.split() for row in self.text().splitlines()]
        return next((row[1] for row in rows if row[:1] == ["user"]), None)

    def service_port(self) -> int:
        """Return the port on which the service on this machine connects."""
        return next(int(port) for port, host in listeners(self.text()) if host == "127.0.0.1")

    def text(self) -> str:
        """Return the configuration.

        Raises
        ------
        ConfigurationError
            If there is none.
        """
        try:
            return self.configuration.read_text(encoding="utf-8")
        except OSError as error:
            raise ConfigurationError(
                f"holds no broker; make one with: bushlarder setup broker --to {self.path}",
                setting=str(self.path),
            ) from error

    def authority(self) -> Pair:
        """Return the root with its key.

        Raises
        ------
        ConfigurationError
            If the key is kept elsewhere.
        """
        try:
            return Pair(self.ca.read_bytes(), self.ca_key.read_bytes())
        except OSError as error:
            raise ConfigurationError(
                f"the root's key is needed: put it back to {self.ca_key} for this", setting="authority"
            ) from error


def set_up(
    folder: BrokerFolder,
    hosts: Sequence[str],
    *,
    now_ms: int,
    mutual: bool = False,
    owner: str = BROKER_USER,
    service_owner: str | None = None,
    unit_port: int = UNIT_PORT,
    service_port: int = SERVICE_PORT,
) -> None:
    """Make a broker's folder: root, certificate, service credential, rules and configuration.

    Raises
    ------
    ConfigurationError
        If there is one already.
    """
    if folder.configuration.exists():
        raise ConfigurationError(
            "a broker is set up here; --renew makes it a new certificate", setting=str(folder.path)
        )
    here = folder.path.resolve()
    if any(character.isspace() for character in str(here)):
        raise ConfigurationError("the broker cannot read paths with blanks", setting="--to")
    authority = certificates.root(f"Bushlarder root for {hosts[0] if hosts else '?'}", now_ms=now_ms)
    broker = certificates.of_broker(authority, hosts, now_ms=now_ms)
    account = owner if os.geteuid() == 0 else None
    for place, mode in ((here, 0o755), (here / "state", 0o700), (here / "authority", 0o700)):
        place.mkdir(parents=True, exist_ok=True)
        place.chmod(mode)
    folder.units.mkdir(exist_ok=True)
    keep = partial(write_private, owner=account)
    write_private(folder.ca_key, authority.key, owner=None)
    keep(folder.ca, authority.certificate)
    folder.ca.chmod(0o644)
    keep(folder.certificate, broker.certificate)
    keep(folder.key, broker.key)
    if mutual:
        keep(folder.revoked, certificates.revocations(authority, None, (), now_ms=now_ms))
    secret = secrets.token_urlsafe(password_file.SECRET_BYTES)
    write_private(folder.service_secret, secret.encode(), owner=service_owner)
    keep(folder.passwords, password_file.line(SERVICE_USER, secret).encode())
    keep(folder.rules, _RULES.encode())
    text = _COMMON.format(
        folder=here,
        user="" if account is None else f"user {account}",
        unit_port=unit_port,
        service_port=service_port,
        mutual=_MUTUAL.format(folder=here) if mutual else "",
    )
    keep(folder.configuration, text.encode())
    _give(here / "state", account)


def renew(folder: BrokerFolder, hosts: Sequence[str], *, now_ms: int) -> tuple[str, ...]:
    """Make the broker a new certificate, for the same names unless others are given; return the names."""
    folder.text()
    names = tuple(hosts) or certificates.hosts_of(folder.certificate.read_bytes())
    fresh = certificates.of_broker(folder.authority(), names, now_ms=now_ms)
    write_private(folder.key, fresh.key, owner=folder.owner)
    write_private(folder.certificate, fresh.certificate, owner=folder.owner)
    return names


def faults(folder: BrokerFolder) -> list[str]:
    """Return why a broker must not be started from a folder: whoever may come in, or read its secrets."""
    text = folder.text()
    words = [line.split() for line in text.splitlines() if line.strip() and not line.startswith("#")]
    found = []
    if ["allow_anonymous", "false"] not in words or ["allow_anonymous", "true"] in words:
        found.append("allow_anonymous is not false: anybody could come in")
    named = {row[0] for row in words}
    found += [f"{needed} is missing" for needed in ("password_file", "acl_file") if needed not in named]
    found += [
        f"the listener on port {port} has no TLS and is not on 127.0.0.1"
        for port, host in listeners(text, plain_only=True)
        if host not in {"127.0.0.1", "::1", "localhost"}
    ]
    for file in (folder.passwords, folder.rules, folder.key, folder.service_secret):
        if not file.exists():
            found.append(f"{file.name} is missing")
        elif file.stat().st_mode & 0o077:
            found.append(f"others may read {file.name}: chmod 600")
    return found


def listeners(text: str, *, plain_only: bool = False) -> list[tuple[str, str]]:
    """Return port and host of every listener of a configuration; no host means every interface."""
    found: list[tuple[str, str]] = []
    with_tls: set[int] = set()
    for line in text.splitlines():
        words = line.split()
        if words[:1] == ["listener"]:
            found.append((words[1], words[2] if len(words) > 2 else ""))  # noqa: PLR2004 - listener PORT HOST
        elif words[:1] == ["port"]:
            found.append((words[1], ""))
        elif words[:1] == ["keyfile"]:
            with_tls.add(len(found) - 1)
    return [place for at, place in enumerate(found) if not (plain_only and at in with_tls)]


def write_private(file: Path, content: bytes, *, owner: str | None) -> None:
    """Put a file in place in one step, readable by its owner only.

    Without an `owner` it stays whose it was, so that root may change what another account's broker reads.
    """
    fresh = file.with_name(f".{file.name}.new")
    fresh.unlink(missing_ok=True)
    handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as out:
        out.write(content)
        out.flush()
        os.fsync(out.fileno())
    if owner is not None:
        _give(fresh, owner)
    elif file.exists() and os.geteuid() == 0:
        before = file.stat()
        os.chown(fresh, before.st_uid, before.st_gid)
    fresh.replace(file)


def _give(path: Path, owner: str | None) -> None:
    """Make something an account's own; only root may."""
    if owner is None or os.geteuid() != 0:
        return
    try:
        account = pwd.getpwnam(owner)
    except KeyError as error:
        raise ConfigurationError(
            f"there is no account {owner!r} here: install the broker first, or name another",
            setting="--owner",
        ) from error
    os.chown(path, account.pw_uid, account.pw_gid)
