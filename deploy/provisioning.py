"""Letting a unit in, and shutting it out: every time a dated record that says who did it."""

import contextlib
import os
import secrets
import signal
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from fcntl import LOCK_EX, flock
from pathlib import Path

from deploy import broker_setup, certificates, password_file
from deploy.broker_setup import SERVICE_USER, BrokerFolder, write_private
from services.api.credentialport import ISSUED, REVOKED
from services.errors import ConfigurationError
from services.ingest.access import Access
from services.ingest.brokerlog import FLOODING, ODD, REFUSED
from services.ingest.knock import take_over
from services.records.facade import Records
from services.records.operatordesk import OperatorEvent
from services.telemetry.topics import UNIT_ID

SET_UP, RENEWED = "broker_set_up", "broker_certificate_renewed"
_ODD_SHOWN = 20
_READS_ANEW_S = 1.0
"""A broker that was told has read its files by then; else the unit would be let in again at once. [s]"""


@dataclass(frozen=True)
class Provisioning:
    """A broker's folder, the records that keep who did what, and who does it now."""

    folder: BrokerFolder
    records: Records
    who: str
    now_ms: int
    why: str = ""

    def require_addable(self, units: Sequence[str], *, again: bool) -> None:
        """Raise ConfigurationError, before anything is changed, if one of several units cannot be added."""
        taken = {name for name, _ in self.holders()}
        for unit in units:
            self._require(unit, mutual=self.folder.mutual)
            if unit in taken and not again:
                raise _has_one(unit)

    def require_revocable(self, units: Sequence[str]) -> None:
        """Raise ConfigurationError, before anything is changed, if one of several units has no credential."""
        taken = {name for name, _ in self.holders()}
        for unit in units:
            if unit not in taken:
                raise _has_none(unit)

    def add(self, unit: str, *, again: bool = False) -> str:
        """Give a unit a secret of its own and return it; nothing keeps it but the unit.

        Raises
        ------
        ConfigurationError
            If the id cannot be one, or the unit has a secret and no new one was asked for.
        """
        self._require(unit, mutual=False)
        secret = secrets.token_urlsafe(password_file.SECRET_BYTES)
        with self._sole():
            text = self.folder.passwords.read_text(encoding="utf-8")
            if unit in password_file.names(text) and not again:
                raise _has_one(unit)
            self._record(ISSUED, unit, {"form": "secret"})
            self._keep_passwords(password_file.without(text, unit) + password_file.line(unit, secret))
        return secret

    def add_certificate(self, unit: str, to: Path, *, again: bool = False) -> tuple[Path, Path]:
        """Give a unit a key and a certificate, written to `to`; only the certificate is kept here.

        Raises
        ------
        ConfigurationError
            As for `add`; if the root's key is kept elsewhere; or if a file is in the way.
        """
        self._require(unit, mutual=True)
        key, certificate, kept = to / f"{unit}.key", to / f"{unit}.crt", self.folder.units / f"{unit}.crt"
        if key.exists() or certificate.exists():
            raise ConfigurationError(f"{key} or {certificate.name} is there already", setting="--to")
        with self._sole():
            if kept.exists() and not again:
                raise _has_one(unit)
            made = certificates.of_unit(self.folder.authority(), unit, now_ms=self.now_ms)
            self._record(
                ISSUED,
                unit,
                {"form": "certificate", "fingerprint": certificates.fingerprint(made.certificate)},
            )
            if kept.exists():
                self._revoke_certificate(kept)
            to.mkdir(parents=True, exist_ok=True)
            write_private(key, made.key, owner=None)
            write_private(certificate, made.certificate, owner=None)
            write_private(kept, made.certificate, owner=None)
        return key, certificate

    def revoke(self, unit: str) -> None:
        """Shut a unit out; `tell_broker` makes it so for a connection that stands.

        Raises
        ------
        ConfigurationError
            If it has nothing to revoke.
        """
        with self._sole():
            kept = self.folder.units / f"{unit}.crt"
            text = self.folder.passwords.read_text(encoding="utf-8")
            if unit == SERVICE_USER or (unit not in password_file.names(text) and not kept.exists()):
                raise _has_none(unit)
            self._record(REVOKED, unit, {})
            self._keep_passwords(password_file.without(text, unit))
            if kept.exists():
                self._revoke_certificate(kept)

    def renew(self, hosts: tuple[str, ...]) -> tuple[str, ...]:
        """Make the broker a new certificate and return the names it is for."""
        names = broker_setup.renew(self.folder, hosts, now_ms=self.now_ms)
        self._record(RENEWED, "broker", {"hosts": list(names)})
        return names

    def note_set_up(self, hosts: tuple[str, ...], *, mutual: bool) -> None:
        """Write down that a broker was set up."""
        self._record(SET_UP, "broker", {"hosts": list(hosts), "mutual": mutual})

    def holders(self) -> list[tuple[str, OperatorEvent | None]]:
        """Return every unit that has a credential, with the record of when it last got one."""
        # Those with a dot are the service's own, and lamps: no unit can be called so.
        every = password_file.names(self.folder.passwords.read_text(encoding="utf-8"))
        names = {name for name in every if "." not in name}
        names |= {file.stem for file in self.folder.units.glob("*.crt")}
        given: dict[str, OperatorEvent] = {}
        for event in self.records.operator_events(kinds=(ISSUED,), limit=None):
            given.setdefault(event.about, event)
        return [(name, given.get(name)) for name in sorted(names)]

    def odd_events(self) -> list[OperatorEvent]:
        """Return what ingest found odd at the broker lately, newest first."""
        return self.records.operator_events(kinds=(REFUSED, ODD, FLOODING), limit=_ODD_SHOWN)

    def _require(self, unit: str, *, mutual: bool) -> None:
        if UNIT_ID.fullmatch(unit) is None:
            raise ConfigurationError(f"{unit!r} is not a unit id (3 to 32 of a-z 0-9 -)", setting="unit")
        if self.folder.mutual != mutual:
            form = "certificates" if self.folder.mutual else "secrets"
            raise ConfigurationError(f"units come in by {form} at this broker", setting="unit add")

    def _record(self, kind: str, about: str, body: dict[str, object]) -> None:
        said = {**body, "why": self.why} if self.why else body
        self.records.note_event(kind, about, said, who=self.who, now_ms=self.now_ms)

    def _keep_passwords(self, text: str) -> None:
        write_private(self.folder.passwords, text.encode(), owner=self.folder.owner)

    def _revoke_certificate(self, kept: Path) -> None:
        folder = self.folder
        fresh = certificates.revocations(
            folder.authority(), folder.revoked.read_bytes(), [kept.read_bytes()], now_ms=self.now_ms
        )
        write_private(folder.revoked, fresh, owner=folder.owner)
        kept.unlink()

    @contextmanager
    def _sole(self) -> Iterator[None]:
        """Two people at once must not write over each other's line."""
        self.folder.text()
        with (self.folder.path / "authority" / "lock").open("w", encoding="utf-8") as lock:
            flock(lock, LOCK_EX)
            yield


def shut_out(desk: Provisioning, units: Sequence[str]) -> bool:
    """Revoke what units have, and return whether nothing of theirs goes on at the broker.

    Raises
    ------
    ConfigurationError
        Before anything is changed, if one of them has nothing to revoke.
    """
    desk.require_revocable(units)
    for unit in units:
        desk.revoke(unit)
    told = tell_broker(desk.folder)
    left = [unit for unit in units if told and not end_session(desk.folder, unit)]
    return told and not left


def _has_none(unit: str) -> ConfigurationError:
    return ConfigurationError(f"{unit!r} has no credential at this broker", setting="unit")


def _has_one(unit: str) -> ConfigurationError:
    return ConfigurationError(
        f"{unit} has a credential; --again takes it away and makes another", setting="unit add"
    )


def tell_broker(folder: BrokerFolder) -> bool:
    """Have a running broker read its files anew: connections no longer allowed by password end at once."""
    try:
        pid = int(folder.pid.read_text(encoding="ascii"))
        if b"mosquitto" not in Path(f"/proc/{pid}/cmdline").read_bytes():
            return False  # a number left over from a broker that was killed, now somebody else's
        os.kill(pid, signal.SIGHUP)
    except (OSError, ValueError):
        return False
    return True


def end_session(folder: BrokerFolder, unit: str) -> bool:
    """Take over and end a unit's session, and what waits in it.

    Reading its files anew, the broker ends no connection begun with a certificate and drops no queue.
    """
    time.sleep(_READS_ANEW_S)
    secret = folder.service_secret.read_text(encoding="utf-8").strip()
    access = Access(f"mqtt://127.0.0.1:{folder.service_port()}", user=SERVICE_USER, password=secret)
    with contextlib.suppress(OSError):
        return take_over(access, unit)
    return False
