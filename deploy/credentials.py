"""Credentials for units, given from a page: the same steps as `bushlarder unit`, where this process may."""

import os
import pwd
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from deploy import certificates, password_file
from deploy.broker_setup import SERVICE_USER, BrokerFolder, listeners
from deploy.provisioning import Provisioning, shut_out, tell_broker
from services.api.credentialport import Given, Hindrance, Meeting
from services.errors import ConfigurationError, Refused
from services.records.facade import Records

_Done = TypeVar("_Done")


@dataclass(frozen=True)
class BrokersRoom:
    """The broker's folder as the web process sees it."""

    folder: BrokerFolder | None
    records: Records
    clock: Callable[[], int]

    def hindrance(self) -> Hindrance | None:
        """Return why it cannot be done here, None when it can."""
        folder = self.folder
        if folder is None:
            return "no_broker"
        try:
            if folder.mutual:
                return "certificates"
            return None if _may_write(folder) else "rights"
        except (OSError, KeyError, ConfigurationError):
            return "rights"

    def meeting(self) -> Meeting | None:
        """Return where units find the broker, None when this house has none or its files cannot be read."""
        if self.folder is None:
            return None
        try:
            ports = (int(port) for port, host in listeners(self.folder.text()) if host != "127.0.0.1")
            hosts = certificates.hosts_of(self.folder.certificate.read_bytes())
            return Meeting(hosts, next(ports), self.folder.ca.read_bytes())
        except (OSError, ConfigurationError, StopIteration):
            return None

    def holders(self) -> frozenset[str]:
        """Return who has a credential at the broker."""
        if self.folder is None:
            return frozenset()
        try:
            text = self.folder.passwords.read_text(encoding="utf-8")
        except OSError:
            return frozenset()
        return frozenset(password_file.names(text)) - {SERVICE_USER}

    def give(self, unit: str, *, who: str, why: str, again: bool) -> Given:
        """Give a unit a credential.

        Raises
        ------
        Refused
            If it has one and no new one was asked for, or it cannot be done here.
        """
        desk = self._desk(who, why)
        if unit in self.holders() and not again:
            raise Refused(f"{unit} has a credential. A new one takes the old one away: ask for that.")
        secret = _refusing(lambda: desk.add(unit, again=again))
        return Given(secret, tell_broker(desk.folder))

    def revoke(self, unit: str, *, who: str, why: str) -> bool:
        """Shut a unit out, and return whether nothing of it goes on.

        Raises
        ------
        Refused
            If it has no credential, or it cannot be done here.
        """
        desk = self._desk(who, why)
        return _refusing(lambda: shut_out(desk, [unit]))

    def _desk(self, who: str, why: str) -> Provisioning:
        if self.folder is None or self.hindrance() is not None:
            raise Refused("Credentials are not given on this page.")
        return Provisioning(self.folder, self.records, who, self.clock(), why)


def _refusing(do: Callable[[], _Done]) -> _Done:
    try:
        return do()
    except ConfigurationError as error:
        raise Refused(str(error)) from error


def _may_write(folder: BrokerFolder) -> bool:
    """Return whether files written here are the broker's to read afterwards."""
    account, owner = os.geteuid(), folder.owner
    own = account == 0 or owner is None or pwd.getpwnam(owner).pw_uid == account
    places = (folder.path, folder.path / "authority", folder.passwords)
    return own and all(os.access(place, os.R_OK | os.W_OK) for place in places)
