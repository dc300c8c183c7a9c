"""Sets up TLS for the pages: with an authority of the site's own, or with a certificate that was given."""

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

import segno

from dashboards.reports import pdf, trustsheet
from dashboards.reports.trustsheet import Trust
from deploy import given_certificate, settings_file, site_tls
from deploy.coming_in import address_of
from deploy.site_tls import folder_of
from services.errors import ConfigurationError
from services.settings import Settings, load_settings

_LISTEN = "0.0.0.0"  # noqa: S104 - phones are to reach the pages; they are encrypted from now on
_MADE = {
    "authority": "A new authority was made: phones that knew an earlier one need this one.",
    "certificate": "A new certificate was made; the authority is the same, and phones need nothing.",
    "nothing": "Authority and certificate are as they were.",
}


def own(
    settings: Settings,
    hosts: Sequence[str],
    *,
    now_ms: int,
    renew: bool,
    anew: bool,
    listen: str | None,
    door: int | None,
) -> Iterator[str]:
    """Set up the site's own authority, and say what was done."""
    _require_no_proxy(settings)
    folder = folder_of(settings.data)
    done = site_tls.set_up(folder, hosts, now_ms=now_ms, renew=renew, anew=anew)
    chosen = site_tls.DOOR_PORT if door is None and settings.trust_port is None else door
    if chosen == settings.port or (chosen is None and settings.trust_port == settings.port):
        raise ConfigurationError("the pages are on that port already", setting="--trust-port")
    yield from _write(
        settings,
        {
            "tls_certificate": str(folder.certificate),
            "tls_key": str(folder.key),
            "tls_authority": str(folder.root),
            "trust_port": settings.trust_port if chosen is None else chosen,
            "host": listen or (settings.host if settings.tls_certificate is not None else _LISTEN),
        },
    )
    yield f"The pages answer to: {', '.join(done.hosts)}"
    yield _MADE[done.made]


def given(
    settings: Settings,
    certificate: Path,
    key: Path,
    hosts: Sequence[str],
    *,
    authority: Path | None,
    now_ms: int,
    listen: str | None,
    door: int | None,
) -> Iterator[str]:
    """Serve the pages with a certificate that somebody else made, once a client's handshake took it."""
    _require_no_proxy(settings)
    found = given_certificate.look(certificate, key, hosts, authority=authority, now_ms=now_ms)
    yield from _write(
        settings,
        {
            "tls_certificate": str(certificate.resolve()),
            "tls_key": str(key.resolve()),
            "tls_authority": None if authority is None else str(authority.resolve()),
            "trust_port": None if authority is None else door or settings.trust_port or site_tls.DOOR_PORT,
            "host": listen or (settings.host if settings.tls_certificate is not None else _LISTEN),
        },
    )
    yield f"The certificate is for {', '.join(found.hosts)} and holds {found.days} more days."
    yield "When its files are replaced, the running pages take the new one by themselves."


def _require_no_proxy(settings: Settings) -> None:
    if settings.behind_tls_proxy:
        raise ConfigurationError(
            "a proxy speaks TLS for this box already; set it to false first if it is to do so itself",
            setting="behind_tls_proxy",
        )


def _write(settings: Settings, values: dict[str, str | int | None]) -> Iterator[str]:
    file = settings.data / "bushlarder.toml"
    settings_file.change(file, values)
    yield f"Settings written to {file}: {', '.join(values)}"
    if over := [
        f"BUSHLARDER_{name.upper()}" for name in values if f"BUSHLARDER_{name.upper()}" in os.environ
    ]:
        yield f"They do not count while the environment says otherwise: {', '.join(over)}"


def next_steps(data: Path) -> Iterator[str]:
    """Say how the pages are reached from now on, and how phones come to trust them."""
    settings = load_settings(data)
    yield f"Pages, once started anew: {address_of(settings)}"
    room = site_tls.trust_of(settings)
    if room is None:
        yield "Phones have nothing to install."
    else:
        yield f"Phones begin at {room.doors[0]}, or with this code:"
        yield _in_terminal(room)
        yield f"SHA-256 of the authority, to compare there:\n{room.fingerprint}"
    if settings.broker_url is None and settings.broker_folder is None:
        yield (
            "`bushlarder run` shows pages to others only with a broker of your own: "
            "`bushlarder setup broker`, then set broker_folder."
        )


def _in_terminal(room: Trust) -> str:
    rows = [[bool(dot) for dot in row] for row in segno.make(room.doors[0], error="m").matrix_iter(border=2)]
    blank = [False] * len(rows[0])
    pairs = zip(rows[::2], [*rows[1::2], blank][: len(rows[::2])], strict=True)
    # light on dark terminals too: the light parts are drawn, the dark ones are left out
    signs = {(False, False): "█", (False, True): "▀", (True, False): "▄", (True, True): " "}
    return "\n".join("".join(signs[dots] for dots in zip(*pair, strict=True)) for pair in pairs)


def sheet(data: Path, to: Path) -> str:
    """Write the instructions for the wall: PDF, or the code alone as SVG.

    Raises
    ------
    ConfigurationError
        If there is no authority to tell of, or the ending says neither.
    """
    room = site_tls.trust_of(load_settings(data))
    if room is None:
        raise ConfigurationError("phones have nothing to install, so there is no sheet", setting="--sheet")
    if to.suffix == ".svg":
        segno.make(room.doors[0], error="m").save(str(to), scale=8, light="#fff")
    elif to.suffix == ".pdf":
        to.write_bytes(pdf.laid_out(trustsheet.html(room)))
    else:
        raise ConfigurationError("ends in .pdf (the sheet) or .svg (the code alone)", setting="--sheet")
    return f"Hang it up beside the box: {to}"
