"""Commands that let lamps and sirens in at the broker, and shut them out."""

from typing import TYPE_CHECKING, Annotated

import typer

from deploy.commands.options import DATA, Data
from deploy.commands.unit import Folder, Who, Why
from services.errors import ConfigurationError

if TYPE_CHECKING:
    from pathlib import Path

    from deploy.lamps import LampDesk

app = typer.Typer(help="Lamps and sirens in camp that show notices.", no_args_is_help=True)
Name = Annotated[str, typer.Argument(help="Name of the lamp: 3 to 32 of a-z, 0-9 and -.")]


@app.command()
def add(
    name: Name,
    who: Who,
    again: Annotated[
        bool, typer.Option("--again", help="Take the credential it has away, and make another.")
    ] = False,
    why: Why = "",
    broker_folder: Folder = None,
    data: Data = DATA,
) -> None:
    """Give a lamp a credential; it is shown once, as USER:SECRET, and kept nowhere."""
    from deploy.provisioning import tell_broker
    from services.telemetry.topics import lamp_topic

    desk = _desk(broker_folder, data, who, why)
    user, secret = desk.add_lamp(name, again=again)
    typer.echo(f"{user}:{secret}")
    typer.echo(f"It reads {lamp_topic(name)}; in the way of its place it is called {name}.", err=True)
    told = tell_broker(desk.folder)
    typer.echo(
        "The broker lets it in now." if told else "The broker lets it in once it starts anew.", err=True
    )


@app.command()
def revoke(name: Name, who: Who, why: Why = "", broker_folder: Folder = None, data: Data = DATA) -> None:
    """Shut a lamp out."""
    from deploy.provisioning import tell_broker

    desk = _desk(broker_folder, data, who, why)
    desk.revoke_lamp(name)
    told = tell_broker(desk.folder)
    typer.echo(f"{name} is shut out" + ("." if told else " as soon as the broker reads its files."))


@app.command("list")
def list_(broker_folder: Folder = None, data: Data = DATA) -> None:
    """Print the lamps that have a credential."""
    for name in _desk(broker_folder, data, "", "").lamps():
        typer.echo(name)


def _desk(folder: "Path | None", data: "Path", who: str, why: str) -> "LampDesk":
    from deploy.broker_setup import BrokerFolder
    from deploy.lamps import LampDesk
    from deploy.wiring import open_records
    from services.clock import now_ms
    from services.settings import load_settings

    settings = load_settings(data)
    where = folder or settings.broker_folder
    if where is None:
        raise ConfigurationError(
            "say where the broker's files are, or --broker-folder", setting="broker_folder"
        )
    found = BrokerFolder(where)
    found.text()
    return LampDesk(found, open_records(settings), who, now_ms(), why)
