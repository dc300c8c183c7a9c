"""The command that judges a test of a unit from a logger's file."""

import json
from pathlib import Path
from typing import Annotated

import typer
from pydantic import ValidationError

from deploy.commands.options import renamed

app = typer.Typer()


@app.command()
def runtest(
    log: Annotated[Path, typer.Argument(help="A logger's file: comma, semicolon or tab separated.")],
    unit: Annotated[Path, typer.Option(help="Unit file (TOML).")],
    kind: Annotated[str, typer.Option(help="run: twelve hours; hold-over: with the power off.")] = "run",
    start: Annotated[
        str | None, typer.Option("--from", help="ISO 8601 with offset; default the last twelve hours.")
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", help="ISO 8601 with offset; default the last row.")
    ] = None,
    serial: Annotated[str, typer.Option(help="Serial number, for the certificate.")] = "",
    technician: Annotated[str, typer.Option(help="Who tested it, for the certificate.")] = "",
    load: Annotated[str, typer.Option(help="What was in it.")] = "",
    supply: Annotated[str, typer.Option(help="What it ran from.")] = "",
    own_lead: Annotated[
        bool,
        typer.Option("--own-lead", help="It ran from the workshop's own lead: sag and path decide nothing."),
    ] = False,
    lid_shut: Annotated[
        bool, typer.Option("--lid-shut", help="The technician's word that the lid stayed shut.")
    ] = False,
    ambient_c: Annotated[
        list[float] | None, typer.Option(help="Air around it as read by hand; repeat for several.")
    ] = None,
    hours: Annotated[float | None, typer.Option(min=0.1, max=240, help="Hold-over asked for.")] = None,
    vaccine: Annotated[
        bool, typer.Option("--vaccine", help="Hold-over to +10 °C, after the vaccine refrigerators' method.")
    ] = False,
    column: Annotated[list[str] | None, typer.Option(help="OURS=THEIRS, for instance cabinet_c=T1.")] = None,
    time_column: Annotated[str | None, typer.Option(help="Name of the time column.")] = None,
    timezone: Annotated[str | None, typer.Option(help="Zone of times without an offset.")] = None,
    pdf: Annotated[Path | None, typer.Option(help="File for the certificate.")] = None,
    json_: Annotated[bool, typer.Option("--json", help="Print the whole result as JSON.")] = False,
) -> None:
    """Did a build or repair work: a twelve-hour run, or a hold-over with the power off, with every limit."""
    from deploy import analyse as offline
    from deploy import runtesting
    from services.clock import now_ms
    from services.domain import RunTestWords
    from services.errors import ConfigurationError

    if kind not in {"run", "hold-over"}:
        raise ConfigurationError(f"{kind!r} is neither run nor hold-over", setting="--kind")
    settings = offline.read_unit(unit)
    parsed = offline.read_log(log, columns=renamed(column or []), time_column=time_column, timezone=timezone)
    try:
        words = RunTestWords(
            serial=serial[:80],
            technician=technician[:80],
            load=load[:200],
            supply=supply[:200],
            own_supply=not own_lead,
            vaccine=vaccine,
            required_h=hours,
            lid_shut=True if lid_shut else None,
            ambient_by_hand_c=() if ambient_c is None else tuple(ambient_c),
        )
    except ValidationError as error:  # only readings are not held to a range by the command line itself
        first = error.errors()[0]
        raise ConfigurationError(f"{first['input']}: {first['msg']}", setting="--ambient-c") from error
    wanted = runtesting.Wanted("run" if kind == "run" else "hold_over", start, end, words)
    found = runtesting.tested(parsed, settings, wanted)
    if parsed.unknown_columns:
        typer.echo(f"Columns ignored: {', '.join(parsed.unknown_columns)}", err=True)
    for cell in parsed.cells:
        typer.echo(f"{log.name}: line {cell.line}, {cell.column}: {cell.reason}", err=True)
    if pdf is not None:
        runtesting.write_certificate(pdf, found, parsed, settings, printed_ms=now_ms())
    if json_:
        typer.echo(json.dumps(found.model_dump(mode="json", by_alias=True), indent=2, ensure_ascii=False))
    else:
        typer.echo(runtesting.as_text(found))
