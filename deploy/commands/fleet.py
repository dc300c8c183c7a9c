"""Commands about the fleet, and the check of what is configured."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from deploy.commands.options import DATA, Data
from services.errors import ConfigurationError

if TYPE_CHECKING:
    from services.api.fleetplan import Plan
    from services.domain import Fleet

Who = Annotated[str, typer.Option(help="Who says so, for the record.")]
Why = Annotated[str, typer.Option(help="Why, for the record; default: the name of the file.")]

app = typer.Typer()
fleet_app = typer.Typer(help="What the fleet consists of.", no_args_is_help=True)
app.add_typer(fleet_app, name="fleet")


@fleet_app.command("apply")
def fleet_apply(
    file: Annotated[Path, typer.Argument(help="Fleet file (TOML).")],
    who: Who,
    why: Why = "",
    data: Data = DATA,
) -> None:
    """Make the fleet what a file says; every change is kept as a dated row."""
    from deploy import fleetfiles, wiring
    from services.clock import now_ms
    from services.settings import load_settings

    records = wiring.open_records(load_settings(data))
    fleetfiles.apply_fleet_file(records, file, who=who, why=why, at_ms=now_ms())
    typer.echo(_counted(records.fleet()))


@fleet_app.command("import")
def fleet_import(
    file: Annotated[Path, typer.Argument(help="Rows of sites, banks and units (CSV, UTF-8).")],
    who: Who = "",
    why: Why = "",
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only tell what it would change.")] = False,
    data: Data = DATA,
) -> None:
    """Add and change sites, banks and units from rows: all of the file, or nothing."""
    from deploy import fleetfiles, wiring
    from services.clock import now_ms
    from services.settings import load_settings

    records = wiring.open_records(load_settings(data))
    found = fleetfiles.plan_rows_file(records, file)
    for fault in found.faults:
        place = [file.name, *([f"line {fault.line}"] if fault.line else []), *filter(None, [fault.column])]
        typer.echo(f"{', '.join(place)}: {fault.message}", err=True)
    if found.plan is None:
        typer.echo(f"nothing is changed; to mend: {len(found.faults)}", err=True)
        raise typer.Exit(2)
    _tell(found.plan)
    if dry_run:
        typer.echo("nothing is changed: --dry-run")
        return
    if not who:
        raise ConfigurationError("say who does it, for the record", setting="--who")
    if found.plan.changes:
        fleetfiles.apply_rows(records, found.plan, file, who=who, why=why, at_ms=now_ms())
    typer.echo(_counted(records.fleet()))


@fleet_app.command("export")
def fleet_export(
    to: Annotated[Path, typer.Argument(help="File to write; `fleet import` reads it again.")],
    template: Annotated[bool, typer.Option("--template", help="Only the names of the columns.")] = False,
    data: Data = DATA,
) -> None:
    """Write sites, banks and units as rows for a spreadsheet."""
    from dashboards.reports.fleetrows import rows_file
    from deploy import wiring
    from services.domain import Fleet
    from services.settings import load_settings

    fleet = Fleet() if template else wiring.open_records(load_settings(data)).described().fleet
    to.write_bytes(rows_file(fleet))
    typer.echo(f"{to}: {_counted(fleet)}")


def _tell(plan: "Plan") -> None:
    for change in plan.changes:
        what = "new" if change.before is None else "changed"
        typer.echo(f"{change.kind} {change.key}: {what}")
        if change.before is not None:
            for column, before, after in change.cells():
                typer.echo(f"  {column}: {before or '(nothing)'} -> {after or '(nothing)'}")
    for about in plan.remarks:
        typer.echo(str(about.remark), err=True)
    if not plan.changes:
        typer.echo("everything is described so already")


def _counted(fleet: "Fleet") -> str:
    return f"{len(fleet.sites)} sites, {len(fleet.banks)} banks, {len(fleet.units)} units"


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
