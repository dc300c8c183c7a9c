"""Mail servers of large providers, by the address alone, from the table of the library we send with."""

from email.utils import parseaddr
from urllib.parse import quote

from apprise import Apprise

from services.notify.mail import MailTls

_TLS: dict[str, MailTls] = {"starttls": "starttls", "ssl": "tls"}


def server_of(address: str) -> tuple[str, int, MailTls] | None:
    """Return host, port and encryption of the mail server of an address, None when it is not known."""
    name, _, place = parseaddr(address)[1].rpartition("@")
    if not name or not place:
        return None
    found = Apprise.instantiate(f"mailtos://{quote(name)}:x@{place}")
    host, port = getattr(found, "smtp_host", None), getattr(found, "port", None)
    mode = _TLS.get(getattr(found, "secure_mode", ""))
    if host is None or host == place or port is None or mode is None:
        return None
    return str(host), int(port), mode
