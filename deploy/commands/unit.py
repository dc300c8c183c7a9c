"""Commands that let units in at the broker, and shut them out."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from deploy.commands.options import DATA, Data
from services.errors import ConfigurationError

if TYPE_CHECKING:
    from deploy.provisioning import Provisioning

app = typer.Typer(help="Which units the broker lets in.", no_args_is_help=True)

Folder = Annotated[
    Path | None, typer.Option("--broker-folder", help="What `setup broker` made; default the setting.")
]
Who = Annotated[str, typer.Option(help="Who says so, for the record.")]
Why = Annotated[str, typer.Option(help="Why, for the record.")]

_BY_HAND = "no broker runs from this folder on this machine: it reads its files when it starts, or on SIGHUP"


@app.command()
def add(
    units: Annotated[list[str], typer.Argument(help="Ids of units.")],
    who: Who,
    to: Annotated[
        Path | None, typer.Option(help="Folder for key and certificate, at a broker with --mutual-tls.")
    ] = None,
    again: Annotated[
        bool, typer.Option("--again", help="Take the credential a unit has away, and make another.")
    ] = False,
    why: Why = "",
    broker_folder: Folder = None,
    data: Data = DATA,
) -> None:
    """Give units a credential each; it is shown once, as ID:SECRET, and kept nowhere."""
    from deploy.provisioning import end_session, tell_broker

    desk = _desk(broker_folder, data, who, why)
    desk.require_addable(units, again=again)
    if desk.folder.mutual and to is None:
        raise ConfigurationError("a folder for key and certificate is needed", setting="--to")
    for unit in units:
        if to is not None and desk.folder.mutual:
            key, certificate = desk.add_certificate(unit, to, again=again)
            typer.echo(f"{unit}: {key}, {certificate}")
        else:
            typer.echo(f"{unit}:{desk.add(unit, again=again)}")
        if unit not in desk.records.known_units():
            typer.echo(f"{unit} is not in the fleet file yet: what it sends will wait", err=True)
    told = tell_broker(desk.folder)
    typer.echo("The broker lets them in now." if told else f"To do: {_BY_HAND}", err=True)
    if told and again and desk.folder.mutual:
        for unit in units:
            end_session(desk.folder, unit)


@app.command()
def revoke(
    units: Annotated[list[str], typer.Argument(help="Ids of units.")],
    who: Who,
    why: Why = "",
    broker_folder: Folder = None,
    data: Data = DATA,
) -> None:
    """Shut units out: no new connection, the one that stands ends, and what waits for them is dropped."""
    from deploy.provisioning import shut_out

    ended = shut_out(_desk(broker_folder, data, who, why), units)
    for unit in units:
        typer.echo(f"{unit} is shut out" + ("" if ended else " as soon as the broker reads its files"))
    if not ended:
        print(f"To do: {_BY_HAND}", file=sys.stderr)


@app.command("list")
def list_(broker_folder: Folder = None, data: Data = DATA) -> None:
    """List who has a credential, since when and from whom, and what the broker found odd."""
    from services.timebase import iso_of

    desk = _desk(broker_folder, data, "")
    for unit, given in desk.holders():
        typer.echo(f"{unit}: {'no record' if given is None else f'{iso_of(given.t_ms)} by {given.who}'}")
    for event in desk.odd_events():
        typer.echo(f"{iso_of(event.t_ms)} {event.kind} {event.about} {dict(event.body)}")


def _desk(folder: Path | None, data: Path, who: str, why: str = "") -> "Provisioning":
    from deploy import wiring
    from deploy.broker_setup import BrokerFolder
    from deploy.provisioning import Provisioning
    from services.clock import now_ms
    from services.settings import load_settings

    settings = load_settings(data)
    chosen = settings.broker_folder if folder is None else folder
    if chosen is None:
        raise ConfigurationError(
            "which broker? --broker-folder, or the setting broker_folder", setting="unit"
        )
    return Provisioning(BrokerFolder(chosen), wiring.open_records(settings), who, now_ms(), why)
