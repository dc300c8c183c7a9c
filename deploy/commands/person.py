"""Commands about people."""

from typing import Annotated

import typer

from deploy.commands.options import DATA, Data

app = typer.Typer(help="Who may sign.", no_args_is_help=True)


@app.command("add")
def person_add(
    name: Annotated[str, typer.Argument(help="Name as it shall stand in the records.")],
    role: Annotated[str, typer.Option(help="manager, cook, workshop, inspector or administrator")],
    data: Data = DATA,
) -> None:
    """Add somebody who may sign."""
    from deploy import wiring
    from services.clock import now_ms
    from services.settings import load_settings

    wiring.add_person(wiring.open_records(load_settings(data)), name=name, role=role, at_ms=now_ms())
    typer.echo(f"{name} may sign as {role}")
