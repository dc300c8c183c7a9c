"""Commands that write what is known into files for other programs."""

from enum import StrEnum
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


class Form(StrEnum):
    """How the files are written."""

    CSV = "csv"
    PARQUET = "parquet"
    JSON = "json"


@app.command("records")
def everything(
    to: Annotated[Path, typer.Option("--to", help="Folder to make; it must not be there yet.")],
    form: Annotated[Form, typer.Option("--form", help="csv, parquet or json")] = Form.CSV,
    data: Data = DATA,
) -> None:
    """Write everything the records hold, with checksums and the newest link of the audit chain."""
    from deploy import records_export, wiring
    from services.clock import now_ms
    from services.settings import load_settings

    records = wiring.open_records(load_settings(data))
    made = records_export.export(records, to, form.value, now_ms=now_ms())
    rows = sum(each["rows"] for each in made["files"].values())
    typer.echo(f"{to}: {len(made['files'])} files, {rows} rows; the newest link is {made['chain']['head']}")
