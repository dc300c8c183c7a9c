"""How people come in to an installation: with accounts behind TLS, or in a demonstration on this machine."""

from pathlib import Path

from dashboards.reports.trustsheet import addresses_first, in_address
from deploy.site_tls import hosts_served
from services.api.accountdesk import AccountDesk
from services.api.entry import AccountAccess, DemoAccess
from services.api.passwords import Passwords
from services.clock import now_ms
from services.errors import ConfigurationError
from services.ingest.access import LOOPBACK
from services.records.crew import ROLES, Account, Role, Sites
from services.records.facade import Records
from services.settings import Settings


def require_private_pages(settings: Settings) -> None:
    """Raise ConfigurationError where passwords would travel in the open, or nobody would need one.

    Raises
    ------
    ConfigurationError
        Naming the setting, and what to do.
    """
    if (settings.tls_certificate is None) != (settings.tls_key is None):
        raise ConfigurationError(
            "a certificate goes with its key: set both tls_certificate and tls_key", setting="tls_certificate"
        )
    _require_files(settings)
    here = settings.host in LOOPBACK
    if settings.access == "demo" and (not here or settings.behind_tls_proxy):
        raise ConfigurationError(
            "a demonstration has no passwords, so it is for this machine only: leave host at 127.0.0.1",
            setting="access",
        )
    if not here and not settings.behind_tls_proxy and settings.tls_certificate is None:
        raise ConfigurationError(
            "pages for other machines carry passwords and need TLS: put a proxy with TLS in front and set "
            "behind_tls_proxy = true, or let `bushlarder setup tls` make or check a certificate",
            setting="host",
        )


def _require_files(settings: Settings) -> None:
    for name in ("tls_certificate", "tls_key", "tls_authority"):
        file: Path | None = getattr(settings, name)
        if file is not None and not file.is_file():
            raise ConfigurationError(
                f"{file} is not there (no backup holds keys): bring it back, or `bushlarder setup tls` again",
                setting=name,
            )
    if settings.trust_port is not None and settings.tls_authority is None:
        raise ConfigurationError("there is no authority to tell of: set tls_authority", setting="trust_port")


def doors(settings: Settings, records: Records) -> tuple[AccountAccess, AccountDesk]:
    """Return who may come in, and the desk where they do."""
    access = DemoAccess if settings.access == "demo" else AccountAccess
    return access(records, now_ms), AccountDesk(records, now_ms, Passwords())


def address_of(settings: Settings) -> str:
    """Return where the pages are: by the first name of their certificate, else on this machine."""
    if settings.tls_certificate is not None:
        host = addresses_first(hosts_served(settings.tls_certificate))[0]
        return f"https://{in_address(host)}:{settings.port}"
    return f"http://{in_address(settings.host)}:{settings.port}"


def first_words(settings: Settings, records: Records) -> str:
    """Return how the first administrator comes in; empty when there is one, or nobody has to log in."""
    if settings.access == "demo" or records.has_administrator():
        return ""
    code = records.first_code(now_ms=now_ms())
    return (
        f"Nobody has an account yet. Open {address_of(settings)}/welcome and type this code:\n\n"
        f"    {code}\n\nIt makes the first administrator, works once and ends after 72 hours; "
        "starting again gives a new one."
    )


def role_of(typed: str) -> Role:
    """Return a role.

    Raises
    ------
    ConfigurationError
        If there is no such role.
    """
    if typed not in ROLES:
        raise ConfigurationError(
            f"there is no role {typed!r}; there are {', '.join(ROLES)}", setting="--role"
        )
    return Account.role_of(typed)


def sites_of(typed: list[str]) -> Sites:
    """Return the places that were named; none named is every place."""
    return frozenset(typed) or None


def account_called(records: Records, name: str) -> Account:
    """Return an account by its name.

    Raises
    ------
    ConfigurationError
        If there is none.
    """
    wanted = " ".join(name.split()).casefold()
    found = next((each for each in records.accounts() if each.name.casefold() == wanted), None)
    if found is None:
        raise ConfigurationError(f"nobody called {name!r} has an account", setting="NAME")
    return found
