"""Commands for the store of a box that is stopped: migrate, compact."""

from typing import Annotated

import typer

from deploy.commands.options import DATA, Data

app = typer.Typer(help="Move or shrink the store of a box that is stopped.", no_args_is_help=True)


@app.command()
def migrate(
    came_from: Annotated[str, typer.Option("--from", help="sqlite or influx")],
    to: Annotated[str, typer.Option(help="influx or sqlite")],
    data: Data = DATA,
) -> None:
    """Move all samples to the other kind of store; each week is read back, and a second try goes on."""
    from deploy import store_care
    from services.logs import start_logs
    from services.settings import load_settings

    start_logs("store", "warning")
    for said in store_care.migrate(load_settings(data), came_from, to):
        typer.echo(said)


@app.command()
def compact(data: Data = DATA) -> None:
    """Seal old weeks and give all empty room in the file back; files of older versions need it once."""
    from deploy import store_care
    from services.logs import start_logs
    from services.settings import load_settings

    start_logs("store", "warning")
    for said in store_care.compact(load_settings(data)):
        typer.echo(said)
