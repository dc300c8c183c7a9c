"""The command that runs simulated fleets."""

from pathlib import Path
from typing import Annotated

import typer

from services.errors import ConfigurationError

app = typer.Typer()


@app.command()
def simulate(
    scenario: Annotated[Path, typer.Argument(help="Scenario file, or the name of one of the library.")],
    broker: Annotated[
        str | None, typer.Option(help="mqtt://HOST:PORT or mqtts://HOST:PORT: live, every unit a client.")
    ] = None,
    ca: Annotated[
        Path | None, typer.Option(help="Root certificate to believe of an mqtts:// broker.")
    ] = None,
    credentials: Annotated[
        Path | None,
        typer.Option(help="File of ID:SECRET lines from `unit add`, or folder of keys and certificates."),
    ] = None,
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
    from firmware_sim.firmware.address import BrokerAt

    job = simulating.Job.of(scenario, units=units, days=days, end=end)
    if broker is None and to is None and plot is None:
        raise ConfigurationError("one of --broker, --to and --plot is needed", setting="simulate")
    if to is not None:
        typer.echo(simulating.files(job, to, run_out_every_h=run_out_every_h))
    if plot is not None:
        typer.echo(simulating.picture(job, plot, unit=unit))
    if broker is not None:
        at = BrokerAt.of(broker, ca=ca, credentials=credentials)
        simulating.live(job, at, state=state, speed=speed)
