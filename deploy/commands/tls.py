"""The command that sets up TLS for the pages."""

from pathlib import Path
from typing import Annotated

import typer

from deploy.commands.options import DATA, Data

Names = Annotated[list[str] | None, typer.Option(help="Host name phones use; repeat for several.")]
Addresses = Annotated[
    list[str] | None, typer.Option(help="Address phones use; without name and address the machine's own.")
]
File = Path | None


def tls(
    name: Names = None,
    address: Addresses = None,
    certificate: Annotated[File, typer.Option(help="A certificate you have, its chain behind it.")] = None,
    key: Annotated[File, typer.Option(help="Its key.")] = None,
    authority: Annotated[File, typer.Option(help="Your own root, where phones do not know it.")] = None,
    renew: Annotated[
        bool, typer.Option("--renew", help="Make a new certificate for the same names.")
    ] = False,
    new_authority: Annotated[
        bool, typer.Option("--new-authority", help="Make a new authority; every phone then needs it.")
    ] = False,
    listen: Annotated[str | None, typer.Option(help="Address to serve on (first time: all).")] = None,
    trust_port: Annotated[
        int | None, typer.Option(min=1, max=65535, help="Port of the instructions for phones (first: 8421).")
    ] = None,
    sheet: Annotated[
        File, typer.Option(help="Write them as a sheet for the wall (.pdf), or the code (.svg).")
    ] = None,
    data: Data = DATA,
) -> None:
    """Serve the pages with TLS: an authority of the site's own for phones, or a certificate you have."""
    from deploy import tls_setup
    from services.clock import now_ms
    from services.errors import ConfigurationError
    from services.settings import load_settings

    settings, hosts = load_settings(data), [*(address or ()), *(name or ())]
    data.mkdir(parents=True, exist_ok=True)
    if (certificate is None) != (key is None) or (authority is not None and certificate is None):
        raise ConfigurationError("goes with --key, and --authority with both", setting="--certificate")
    if certificate is not None and key is not None:
        if renew or new_authority:
            raise ConfigurationError("whoever made that certificate renews it", setting="--renew")
        said = tls_setup.given(
            settings, certificate, key, hosts,
            authority=authority, now_ms=now_ms(), listen=listen, door=trust_port,
        )  # fmt: skip
    else:
        said = tls_setup.own(
            settings, hosts,
            now_ms=now_ms(), renew=renew, anew=new_authority, listen=listen, door=trust_port,
        )  # fmt: skip
    for line in said:
        typer.echo(line)
    for line in tls_setup.next_steps(data):
        typer.echo(line)
    if sheet is not None:
        typer.echo(tls_setup.sheet(data, sheet))
