"""Commands about the fleet, and the check of what is configured."""

from pathlib import Path
from typing import Annotated

import typer

from deploy.commands.options import DATA, Data

app = typer.Typer()
fleet_app = typer.Typer(help="What the fleet consists of.", no_args_is_help=True)
app.add_typer(fleet_app, name="fleet")


@fleet_app.command("apply")
def fleet_apply(
    file: Annotated[Path, typer.Argument(help="Fleet file (TOML).")],
    who: Annotated[str, typer.Option(help="Who says so, for the record.")],
    data: Data = DATA,
) -> None:
    """Make the fleet what a file says; every change is kept as a dated row."""
    from deploy import fleetfiles, wiring
    from services.clock import now_ms
    from services.settings import load_settings

    records = wiring.open_records(load_settings(data))
    fleetfiles.apply_fleet_file(records, file, who=who, at_ms=now_ms())
    fleet = records.fleet()
    typer.echo(f"{len(fleet.sites)} sites, {len(fleet.banks)} banks, {len(fleet.units)} units")


@app.command()
def waiting(data: Data = DATA) -> None:
    """List unknown units that knock; once the fleet file has them, their packs are replayed."""
    from deploy import stores
    from services.settings import load_settings
    from services.timebase import iso_of

    with stores.open_reader(load_settings(data)) as reader:
        found = reader.waiting()
    for knock in found:
        typer.echo(f"{knock.unit}: {knock.packs} packs, {iso_of(knock.first_ms)} to {iso_of(knock.last_ms)}")
    if not found:
        typer.echo("no unknown unit knocks")


@app.command("check-config")
def check_config(
    file: Annotated[Path | None, typer.Argument(help="Fleet or unit file to check as well.")] = None,
    data: Data = DATA,
) -> None:
    """Print the effective settings, secrets masked, and check a fleet or unit file."""
    from deploy import fleetfiles
    from services.settings import load_settings

    settings = load_settings(data)
    for name, value in settings.model_dump(mode="json").items():
        typer.echo(f"{name} = {value}")
    if file is not None:
        refused, words = fleetfiles.check_file(file)
        for line in words:
            typer.echo(line, err=refused)
        if refused:
            raise typer.Exit(2)
        typer.echo(f"{file.name}: no fault found")
