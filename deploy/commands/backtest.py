"""Commands that score the service against fleets whose truth is known."""

import sys
from pathlib import Path
from typing import Annotated, Literal

import typer

app = typer.Typer(
    help="How good the service is, against simulated fleets whose truth is known.", no_args_is_help=True
)


@app.command("cutouts")
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


@app.command("runout")
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


@app.command("notices")
def backtest_notices(
    seed: Annotated[
        list[int] | None, typer.Option(help="Seed of a made-up fleet; repeat for several.")
    ] = None,
    seeds: Annotated[int, typer.Option(min=1, help="How many fresh ones, where none is given.")] = 1,
    days: Annotated[float, typer.Option(min=2.0, help="Days replayed; the first only teaches.")] = 30.0,
    every_min: Annotated[float, typer.Option(min=1.0, max=30.0, help="Minutes from look to look.")] = 20.0,
    units: Annotated[int, typer.Option(min=1, max=40, help="Units of each fleet, about.")] = 8,
    fleet: Annotated[
        Literal["year", "trial"],
        typer.Option(help="Places out of an ordinary year, or units of which each has another trouble."),
    ] = "year",
) -> None:
    """Replay simulated weeks through the monitor: notices for whom, how late, and what nobody was told.

    People in it take what they are told after half an hour, and decide about food on hold after two. A
    month of eight units takes about twenty minutes of computing.
    """
    from deploy.backtest_notices import report
    from deploy.backtesting import fresh_seeds

    chosen = tuple(seed) if seed else fresh_seeds(seeds)
    typer.echo(f"seeds: {' '.join(map(str, chosen))}")
    for line in report(
        seeds=chosen,
        days=days,
        every_min=every_min,
        units=units,
        fleet=fleet,
        say=lambda words: typer.echo(words, err=True),
    ):
        typer.echo(line)


@app.command("service")
def backtest_service(
    seed: Annotated[
        list[int] | None, typer.Option(help="Seed of a year of forty units; repeat for several.")
    ] = None,
    seeds: Annotated[int, typer.Option(min=1, help="How many fresh ones, where nothing is given.")] = 1,
    logs: Annotated[
        list[Path] | None,
        typer.Option(
            help="A folder written by `simulate fleet_year --to`: scored as it is, not simulated again."
        ),
    ] = None,
    check: Annotated[bool, typer.Option("--check", help="Exit 1 below the targets.")] = False,
) -> None:
    """Score what the workshop is told on simulated years, against a threshold on duty and the calendar."""
    from deploy import backtest_service as service
    from deploy import backtest_service_report
    from deploy.backtesting import fresh_seeds

    chosen = tuple(seed) if seed else () if logs else fresh_seeds(seeds)
    if chosen:
        typer.echo(f"seeds: {' '.join(map(str, chosen))}", err=True)
    played = service.years(chosen, logs or (), say=lambda words: typer.echo(words, err=True))
    scores = service.score(played, processes=service.PROCESSES)
    for line in backtest_service_report.lines(scores):
        typer.echo(line)
    short = service.short_of(scores)
    for words in short:
        typer.echo(f"below target: {words}", err=True)
    if check and short:
        raise typer.Exit(1)
