"""The command that sets up an InfluxDB."""

from typing import Annotated

import typer

from deploy.commands.options import DATA, Data


def influx(
    keep_days: Annotated[
        int | None, typer.Option(min=30, help="Days that samples are kept; without it for ever.")
    ] = None,
    data: Data = DATA,
) -> None:
    """Make the bucket named by the settings, how long it keeps samples, and the hourly roll-up."""
    from deploy import stores
    from services.settings import load_settings

    for said in stores.set_up_influx(load_settings(data), keep_days=keep_days):
        typer.echo(said)
