"""Commands that write what is known into files for other programs."""

from pathlib import Path
from typing import Annotated

import typer

from deploy.commands.options import DATA, Data

app = typer.Typer(help="Files for other programs.", no_args_is_help=True)


@app.command("due")
def due(
    to: Annotated[Path, typer.Option("--to", help="File to write: a calendar (.ics) or a table (.csv).")],
    data: Data = DATA,
) -> None:
    """Write what is due on which cabinet: jobs, findings, planned service, and when vehicles leave."""
    from deploy import exporting
    from services.settings import load_settings

    typer.echo(exporting.write_due(load_settings(data), to))
