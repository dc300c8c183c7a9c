"""Lamps and sirens at the broker: each its own credential, which lets it read its own topic and no more."""

import os
import secrets
from pathlib import Path

from deploy import password_file
from deploy.broker_setup import write_private
from deploy.provisioning import Provisioning
from services.api.credentialport import ISSUED, REVOKED
from services.errors import ConfigurationError
from services.telemetry.topics import LAMPS, lamp_topic

NOTIFY_USER = "service.notify"
"""Who tells lamps: may write to them, and nothing else. No unit can be called so."""
PREFIX = "lamp."
"""Before a lamp's name at the broker: no unit can be called so, and no rule for units fits it."""


def _secret_file(folder: Path) -> Path:
    return folder / "notify.secret"


def notify_secret(folder: Path) -> str | None:
    """Return the secret by which lamps are told, None before the first lamp was added."""
    try:
        return _secret_file(folder).read_text(encoding="utf-8").strip()
    except OSError:
        return None


class LampDesk(Provisioning):
    """Lets lamps in, and shuts them out; `tell_broker` makes it so."""

    def add_lamp(self, name: str, *, again: bool = False) -> tuple[str, str]:
        """Give a lamp a credential of its own; return its name and secret at the broker.

        Raises
        ------
        ConfigurationError
            If the name cannot be one, the lamp has a secret and no new one was asked for, or this broker
            asks for certificates.
        """
        topic = _topic(name)
        if self.folder.mutual:
            raise ConfigurationError(
                "lamps come in by secrets; this broker asks for certificates", setting="lamp"
            )
        user, secret = PREFIX + name, secrets.token_urlsafe(password_file.SECRET_BYTES)
        with self._sole():
            text = self.folder.passwords.read_text(encoding="utf-8")
            if user in password_file.names(text) and not again:
                raise ConfigurationError(
                    f"{name} has a credential; --again takes it away and makes another", setting="lamp add"
                )
            self._record(ISSUED, user, {"form": "secret"})
            rules = _with_rule(self.folder.rules.read_text(encoding="utf-8"), user, f"topic read {topic}")
            text = self._with_teller(password_file.without(text, user) + password_file.line(user, secret))
            rules = _with_rule(rules, NOTIFY_USER, f"topic write {LAMPS}/+/show")
            write_private(self.folder.rules, rules.encode(), owner=self.folder.owner)
            self._keep_passwords(text)
        return user, secret

    def revoke_lamp(self, name: str) -> None:
        """Shut a lamp out.

        Raises
        ------
        ConfigurationError
            If it has nothing to revoke.
        """
        user = PREFIX + name
        with self._sole():
            text = self.folder.passwords.read_text(encoding="utf-8")
            if user not in password_file.names(text):
                raise ConfigurationError(f"{name!r} is no lamp of this broker", setting="lamp")
            self._record(REVOKED, user, {})
            rules = _without_rule(self.folder.rules.read_text(encoding="utf-8"), user)
            write_private(self.folder.rules, rules.encode(), owner=self.folder.owner)
            self._keep_passwords(password_file.without(text, user))

    def lamps(self) -> tuple[str, ...]:
        """Return the lamps that have a credential."""
        names = password_file.names(self.folder.passwords.read_text(encoding="utf-8"))
        return tuple(sorted(name.removeprefix(PREFIX) for name in names if name.startswith(PREFIX)))

    def _with_teller(self, passwords: str) -> str:
        """Return the passwords with that of the service itself, which gets one with the first lamp."""
        if NOTIFY_USER in password_file.names(passwords) and notify_secret(self.folder.path) is not None:
            return passwords
        secret = secrets.token_urlsafe(password_file.SECRET_BYTES)
        file, like = _secret_file(self.folder.path), self.folder.service_secret.stat()
        write_private(file, secret.encode(), owner=None)
        if os.geteuid() == 0:
            os.chown(file, like.st_uid, like.st_gid)
        return password_file.without(passwords, NOTIFY_USER) + password_file.line(NOTIFY_USER, secret)


def _topic(name: str) -> str:
    try:
        return lamp_topic(name)
    except ValueError as error:
        raise ConfigurationError(str(error), setting="lamp") from error


def _with_rule(rules: str, user: str, rule: str) -> str:
    return f"{_without_rule(rules, user).rstrip()}\n\nuser {user}\n{rule}\n"


def _without_rule(rules: str, user: str) -> str:
    """Return the rules without the paragraph of somebody."""
    paragraphs = rules.split("\n\n")
    return "\n\n".join(each for each in paragraphs if each.strip().splitlines()[:1] != [f"user {user}"])
