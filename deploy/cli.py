"""The ``bushlarder`` command: each subcommand parses, wires, calls and exits."""

import json
import sys
from pathlib import Path
from typing import Annotated

import typer
from platformdirs import user_data_path
from rich.console import Console

from services.errors import BushlarderError, ConfigurationError

app = typer.Typer(
    name="bushlarder",
    help="Know from afar: is every cabinet cold, how long was food too warm, will the battery last.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
)
fleet_app = typer.Typer(help="What the fleet consists of.", no_args_is_help=True)
app.add_typer(fleet_app, name="fleet")
person_app = typer.Typer(help="Who may sign.", no_args_is_help=True)
app.add_typer(person_app, name="person")

report_app = typer.Typer(help="Documents for people outside.", no_args_is_help=True)
app.add_typer(report_app, name="report")

backtest_app = typer.Typer(
    help="How good the service is, against simulated fleets whose truth is known.", no_args_is_help=True
)
app.add_typer(backtest_app, name="backtest")

DEMO_SCENARIO = Path(__file__).resolve().parents[1] / "firmware_sim" / "scenarios" / "quiet_ridge.toml"
DEMO_FLEET = DEMO_SCENARIO.with_name("quiet_ridge_fleet.toml")

Data = Annotated[Path, typer.Option(help="Folder that holds the databases, the broker's state and the logs.")]
Port = Annotated[int | None, typer.Option(help="Port the pages are served on (default 8420).")]
BrokerUrl = Annotated[
    str | None, typer.Option("--broker", help="mqtt://HOST:PORT of a broker already there.")
]

_DATA = user_data_path("bushlarder")


# The imports below stand inside the commands so that `--help` and `analyse` need not load the web stack.


@app.command()
def run(data: Data = _DATA, port: Port = None, broker: BrokerUrl = None) -> None:
    """Run a lodge box: broker, ingest, monitor and pages."""
    from deploy import lodge_box, wiring
    from services.settings import load_settings

    settings = load_settings(data, port=port, broker_url=broker)
    wiring.open_records(settings)
    lodge_box.run(settings, stop=wiring.stop_event(), console=Console())


@app.command()
def demo(
    data: Data = _DATA / "demo",
    port: Port = None,
    days: Annotated[float, typer.Option(help="Days of history the simulated fleet brings.")] = 14.0,
) -> None:
    """Run a lodge box with a simulated fleet whose history arrives through MQTT."""
    from deploy import lodge_box, wiring
    from services.clock import now_ms
    from services.settings import load_settings

    settings = load_settings(data, port=port)
    records = wiring.open_records(settings)
    if not records.known_units():
        wiring.apply_fleet_file(records, DEMO_FLEET, who="demo", at_ms=now_ms())
    lodge_box.run(
        settings,
        stop=wiring.stop_event(),
        console=Console(),
        demo=lodge_box.Demo(scenario=DEMO_SCENARIO, history_days=days, units=len(records.known_units())),
    )


@app.command()
def ingest(broker: Annotated[str, typer.Option(help="mqtt://HOST:PORT")], data: Data = _DATA) -> None:
    """Run the ingest process alone: from the broker into the store."""
    from deploy import wiring
    from services.logs import start_logs
    from services.settings import load_settings

    settings = load_settings(data)
    start_logs("ingest", settings.log_level)
    wiring.ingest(settings, broker)


@app.command()
def monitor(data: Data = _DATA) -> None:
    """Run the monitor process alone: from the store to verdicts."""
    from deploy import wiring
    from services.logs import start_logs
    from services.settings import load_settings

    settings = load_settings(data)
    start_logs("monitor", settings.log_level)
    wiring.monitor(settings)


@app.command()
def web(data: Data = _DATA, port: Port = None) -> None:
    """Run the web process alone: interface and pages."""
    from deploy import wiring
    from services.logs import start_logs
    from services.settings import load_settings

    settings = load_settings(data, port=port)
    start_logs("web", settings.log_level)
    wiring.web(settings)


@app.command()
def simulate(
    scenario: Annotated[Path, typer.Argument(help="Scenario file, or the name of one of the library.")],
    broker: Annotated[str | None, typer.Option(help="mqtt://HOST:PORT: live, every unit a client.")] = None,
    state: Annotated[
        Path | None, typer.Option(help="Folder that stands in for the units' memory; else it is forgotten.")
    ] = None,
    speed: Annotated[
        float | None,
        typer.Option(min=0.0, help="How fast the past is replayed with the units on the air; else at once."),
    ] = None,
    to: Annotated[Path | None, typer.Option(help="Folder for logs, unit files and truth.")] = None,
    plot: Annotated[Path | None, typer.Option(help="HTML file for a picture of one unit's day.")] = None,
    unit: Annotated[str | None, typer.Option(help="The unit of the picture; else the first.")] = None,
    units: Annotated[int | None, typer.Option(min=1, help="Repeat the fleet up to so many units.")] = None,
    days: Annotated[
        float | None, typer.Option(min=0.0, help="Days of history; else what the scenario says.")
    ] = None,
    end: Annotated[str | None, typer.Option(help="When files or picture end (ISO 8601 with offset).")] = None,
    run_out_every_h: Annotated[
        float | None, typer.Option(min=0.0, help="Hours between true run-outs in the truth; 0 for none.")
    ] = None,
) -> None:
    """Run a simulated fleet: live against a broker, into files with the truth beside them, or a picture."""
    from deploy import simulating

    job = simulating.Job.of(scenario, units=units, days=days, end=end)
    if broker is None and to is None and plot is None:
        raise ConfigurationError("one of --broker, --to and --plot is needed", setting="simulate")
    if to is not None:
        typer.echo(simulating.files(job, to, run_out_every_h=run_out_every_h))
    if plot is not None:
        typer.echo(simulating.picture(job, plot, unit=unit))
    if broker is not None:
        simulating.live(job, broker, state=state, speed=speed)


def _renamed(pairs: list[str]) -> dict[str, str]:
    columns = {}
    for pair in pairs:
        ours, equals, theirs = pair.partition("=")
        if not equals or not ours or not theirs:
            raise ConfigurationError(
                f"{pair!r} is not OURS=THEIRS, for instance cabinet_c=T1", setting="--column"
            )
        columns[ours] = theirs
    return columns


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
    parsed = offline.read_log(log, columns=_renamed(column or []), time_column=time_column, timezone=timezone)
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
    data: Data = _DATA,
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
    parsed = offline.read_log(log, columns=_renamed(column or []), time_column=time_column, timezone=timezone)
    for cell in parsed.cells:
        typer.echo(f"{log.name}: line {cell.line}, {cell.column}: {cell.reason}", err=True)
    done = wiring.import_series(settings, unit, parsed.series)
    typer.echo(
        f"{done.stored} stored, {done.duplicates} already there, {done.conflicts} in conflict (kept aside)"
    )


@fleet_app.command("apply")
def fleet_apply(
    file: Annotated[Path, typer.Argument(help="Fleet file (TOML).")],
    who: Annotated[str, typer.Option(help="Who says so, for the record.")],
    data: Data = _DATA,
) -> None:
    """Make the fleet what a file says; every change is kept as a dated row."""
    from deploy import wiring
    from services.clock import now_ms
    from services.settings import load_settings

    records = wiring.open_records(load_settings(data))
    wiring.apply_fleet_file(records, file, who=who, at_ms=now_ms())
    fleet = records.fleet()
    typer.echo(f"{len(fleet.sites)} sites, {len(fleet.banks)} banks, {len(fleet.units)} units")


@person_app.command("add")
def person_add(
    name: Annotated[str, typer.Argument(help="Name as it shall stand in the records.")],
    role: Annotated[str, typer.Option(help="manager, cook, workshop, inspector or administrator")],
    data: Data = _DATA,
) -> None:
    """Add somebody who may sign."""
    from deploy import wiring
    from services.clock import now_ms
    from services.settings import load_settings

    wiring.add_person(wiring.open_records(load_settings(data)), name=name, role=role, at_ms=now_ms())
    typer.echo(f"{name} may sign as {role}")


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
    data: Data = _DATA,
) -> None:
    """Print the temperature log an inspector asks for: PDF, and every reading as CSV."""
    from deploy import analyse as offline
    from deploy import reporting, wiring
    from services.clock import now_ms
    from services.settings import load_settings

    printed_ms = now_ms() if printed_at is None else offline.instant(printed_at, setting="--printed-at")
    period = reporting.Period(start, end, timezone)
    if log is not None:
        if unit_file is None:
            raise ConfigurationError("a logger's file needs the unit it belongs to", setting="--unit-file")
        parsed = offline.read_log(
            log, columns=_renamed(column or []), time_column=time_column, timezone=timezone
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
        made = wiring.food_log(load_settings(data), unit, period, printed_ms=printed_ms)
    files = reporting.Files(pdf=pdf, csv=csv, html=html).or_in(to_dir, made)
    for line in reporting.write(made, files):
        typer.echo(line)


@backtest_app.command("cutouts")
def backtest_cutouts(
    scenario: Annotated[
        list[Path] | None,
        typer.Argument(help="Scenario files or names; every-kind is a made-up fleet with every way to stop."),
    ] = None,
    seeds: Annotated[int, typer.Option(min=1, help="How many fresh seeds to draw.")] = 1,
    seed: Annotated[list[int] | None, typer.Option(help="A seed to play again, not fresh ones.")] = None,
    days: Annotated[float | None, typer.Option(min=1.0, help="Days of each run.")] = None,
    misses: Annotated[int, typer.Option(min=0, help="How many misses to list.")] = 20,
    check: Annotated[bool, typer.Option("--check", help="Exit 1 below the targets.")] = False,
) -> None:
    """Score cut-outs and their causes against the truth of simulated fleets."""
    from deploy import backtest_cutouts as cutouts
    from deploy.backtesting import fresh_seeds

    chosen = tuple(seed) if seed else fresh_seeds(seeds)
    typer.echo(f"seeds: {' '.join(map(str, chosen))}")
    named = scenario or [Path(cutouts.EVERY_KIND)]
    score = cutouts.cutouts(named, chosen, days=days, say=lambda words: typer.echo(words, err=True))
    for line in cutouts.lines(score, most=misses):
        typer.echo(line)
    short = cutouts.short_of(score)
    for words in short:
        typer.echo(f"below target: {words}", err=True)
    if check and short:
        raise typer.Exit(1)


@backtest_app.command("runout")
def backtest_runout(
    seed: Annotated[
        list[int] | None, typer.Option(help="Seed of a made-up fleet; repeat for several.")
    ] = None,
    seeds: Annotated[int, typer.Option(min=1, help="How many fresh ones, where none is given.")] = 2,
    banks: Annotated[int, typer.Option(min=1, max=60, help="Banks in each fleet.")] = 12,
    days: Annotated[float, typer.Option(min=10, help="Days simulated; the first eight only teach.")] = 30.0,
) -> None:
    """Ask for run-outs along simulated months and score them against two baselines."""
    from deploy.backtest_report import runout_report

    print(
        runout_report(
            seeds=tuple(seed or ()),
            fresh=seeds,
            vehicles=banks,
            days=days,
            say=lambda words: print(words, file=sys.stderr),
        )
    )


@app.command()
def waiting(data: Data = _DATA) -> None:
    """List unknown units that knock; once the fleet file has them, their packs are replayed."""
    from deploy import wiring
    from services.settings import load_settings
    from services.timebase import iso_of

    with wiring.open_reader(load_settings(data)) as reader:
        found = reader.waiting()
    for knock in found:
        typer.echo(f"{knock.unit}: {knock.packs} packs, {iso_of(knock.first_ms)} to {iso_of(knock.last_ms)}")
    if not found:
        typer.echo("no unknown unit knocks")


@app.command("check-config")
def check_config(
    file: Annotated[Path | None, typer.Argument(help="Fleet or unit file to check as well.")] = None,
    data: Data = _DATA,
) -> None:
    """Print the effective settings, secrets masked, and check a fleet or unit file."""
    from deploy import wiring
    from services.settings import load_settings

    settings = load_settings(data)
    for name, value in settings.model_dump(mode="json").items():
        typer.echo(f"{name} = {value}")
    if file is not None:
        refused, words = wiring.check_file(file)
        for line in words:
            typer.echo(line, err=refused)
        if refused:
            raise typer.Exit(2)
        typer.echo(f"{file.name}: no fault found")


def main() -> None:
    """Run the command; what an operator must change is one line on standard error and exit code 2."""
    try:
        app()
    except ConfigurationError as error:
        print(f"bushlarder: {error}", file=sys.stderr)
        sys.exit(2)
    except BushlarderError as error:
        print(f"bushlarder: {error}", file=sys.stderr)
        sys.exit(1)


if __name__ == "__main__":
    main()
