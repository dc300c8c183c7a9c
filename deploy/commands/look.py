"""Commands that look into a logger's file, plan a trip and print documents."""

import json
from pathlib import Path
from typing import Annotated

import typer

from deploy.commands.options import DATA, Data, renamed
from services.errors import ConfigurationError

app = typer.Typer()
report_app = typer.Typer(help="Documents for people outside.", no_args_is_help=True)
app.add_typer(report_app, name="report")


@app.command()
def analyse(
    log: Annotated[Path, typer.Argument(help="A logger's file: comma, semicolon or tab separated.")],
    unit: Annotated[Path, typer.Option(help="Unit file (TOML).")],
    at: Annotated[str | None, typer.Option(help="'Now', ISO 8601 with offset; default the last row.")] = None,
    max_gap_min: Annotated[
        float | None, typer.Option(help="Longest pair of readings joined by a line.")
    ] = None,
    column: Annotated[list[str] | None, typer.Option(help="OURS=THEIRS, for instance cabinet_c=T1.")] = None,
    time_column: Annotated[str | None, typer.Option(help="Name of the time column.")] = None,
    timezone: Annotated[str | None, typer.Option(help="Zone of times without an offset.")] = None,
    json_: Annotated[bool, typer.Option("--json", help="Print the whole result as JSON.")] = False,
) -> None:
    """Time above limits, cut-outs and battery run-out from any logger's file."""
    from deploy import analyse as offline

    settings = offline.read_unit(unit)
    parsed = offline.read_log(log, columns=renamed(column or []), time_column=time_column, timezone=timezone)
    result = offline.analyse(parsed, settings, at=at, max_gap_min=max_gap_min)
    if parsed.unknown_columns:
        typer.echo(f"Columns ignored: {', '.join(parsed.unknown_columns)}", err=True)
    if json_:
        typer.echo(json.dumps(result.model_dump(mode="json", by_alias=True), indent=2, ensure_ascii=False))
    else:
        typer.echo(offline.as_text(result))


@app.command()
def plan(
    trip: Annotated[Path, typer.Argument(help="Trip file (TOML).")],
    fleet: Annotated[
        Path | None, typer.Option(help="Fleet file that describes the cabinets and banks taken along.")
    ] = None,
    json_: Annotated[bool, typer.Option("--json", help="Print the whole plan as JSON.")] = False,
) -> None:
    """Will a trip hold: charge and temperatures hour by hour, the weakest hour, what would help."""
    from deploy import planning

    made = planning.plan(planning.read_trip(trip, fleet))
    if json_:
        typer.echo(json.dumps(made.model_dump(mode="json", by_alias=True), indent=2, ensure_ascii=False))
    else:
        typer.echo(planning.as_text(made))


@app.command("import")
def import_log(
    log: Annotated[Path, typer.Argument(help="A logger's file: comma, semicolon or tab separated.")],
    unit: Annotated[str, typer.Option(help="Id of a unit of the fleet.")],
    data: Data = DATA,
    column: Annotated[list[str] | None, typer.Option(help="OURS=THEIRS, for instance cabinet_c=T1.")] = None,
    time_column: Annotated[str | None, typer.Option(help="Name of the time column.")] = None,
    timezone: Annotated[str | None, typer.Option(help="Zone of times without an offset.")] = None,
) -> None:
    """Bring a logger's file into the store; the monitor then judges it like late data."""
    from deploy import analyse as offline
    from deploy import wiring
    from services.settings import load_settings

    settings = load_settings(data)
    wiring.require_unit(settings, unit)
    parsed = offline.read_log(log, columns=renamed(column or []), time_column=time_column, timezone=timezone)
    for cell in parsed.cells:
        typer.echo(f"{log.name}: line {cell.line}, {cell.column}: {cell.reason}", err=True)
    done = wiring.import_series(settings, unit, parsed.series)
    typer.echo(
        f"{done.stored} stored, {done.duplicates} already there, {done.conflicts} in conflict (kept aside)"
    )


@report_app.command("food")
def report_food(
    unit: Annotated[str | None, typer.Option(help="Id of a unit of the fleet.")] = None,
    start: Annotated[
        str | None, typer.Option("--from", help="First day (2026-03-01), or a time with offset.")
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", help="Last day, included, or a time with offset.")
    ] = None,
    log: Annotated[Path | None, typer.Option(help="A logger's file, in place of the databases.")] = None,
    unit_file: Annotated[Path | None, typer.Option(help="Unit file (TOML) that goes with --log.")] = None,
    to_dir: Annotated[Path | None, typer.Option(help="Folder for both files; default here.")] = None,
    pdf: Annotated[Path | None, typer.Option(help="File for the PDF.")] = None,
    csv: Annotated[Path | None, typer.Option(help="File for the CSV, every reading.")] = None,
    html: Annotated[Path | None, typer.Option(help="File for the page.")] = None,
    column: Annotated[list[str] | None, typer.Option(help="OURS=THEIRS, for instance cabinet_c=T1.")] = None,
    time_column: Annotated[str | None, typer.Option(help="Name of the time column.")] = None,
    timezone: Annotated[
        str | None, typer.Option(help="Zone of the days, and of times without offset.")
    ] = None,
    max_gap_min: Annotated[
        float | None, typer.Option(help="Longest pair of readings joined by a line.")
    ] = None,
    printed_at: Annotated[
        str | None, typer.Option(help="Time printed on it, ISO 8601 with offset; default now.")
    ] = None,
    data: Data = DATA,
) -> None:
    """Print the temperature log an inspector asks for: PDF, and every reading as CSV."""
    from deploy import analyse as offline
    from deploy import reporting, wiring
    from deploy.logbook import LogBook
    from deploy.stores import open_reader
    from services.clock import now_ms
    from services.settings import load_settings

    printed_ms = now_ms() if printed_at is None else offline.instant(printed_at, setting="--printed-at")
    period = reporting.Period(start, end, timezone)
    if log is not None:
        if unit_file is None:
            raise ConfigurationError("a logger's file needs the unit it belongs to", setting="--unit-file")
        parsed = offline.read_log(
            log, columns=renamed(column or []), time_column=time_column, timezone=timezone
        )
        made = reporting.of_file(
            parsed,
            offline.read_unit(unit_file),
            period,
            printed_ms=printed_ms,
            name=log.name,
            max_gap_min=max_gap_min,
        )
    elif unit is None:
        raise ConfigurationError("one of --unit and --log is needed", setting="report food")
    else:
        settings = load_settings(data)
        wiring.require_unit(settings, unit)
        with open_reader(settings) as reader:
            made = LogBook(wiring.open_records(settings), reader).sheet(unit, period, printed_ms=printed_ms)
    files = reporting.Files(pdf=pdf, csv=csv, html=html).or_in(to_dir, made)
    for line in reporting.write(made, files):
        typer.echo(line)
