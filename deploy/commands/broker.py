"""The command that makes a broker's folder."""

from pathlib import Path
from typing import Annotated

import typer

from deploy.commands.options import DATA, Data


def broker(
    to: Annotated[Path, typer.Option(help="Folder for configuration, credentials and certificates.")],
    who: Annotated[str, typer.Option(help="Who says so, for the record.")],
    host: Annotated[
        list[str] | None, typer.Option(help="Name or address units reach the broker by; repeat for several.")
    ] = None,
    mutual_tls: Annotated[
        bool, typer.Option("--mutual-tls", help="Units show certificates in place of passwords.")
    ] = False,
    renew: Annotated[bool, typer.Option("--renew", help="Make the broker a new certificate.")] = False,
    owner: Annotated[str, typer.Option(help="The broker's account, when root sets it up.")] = "mosquitto",
    service_owner: Annotated[
        str | None, typer.Option(help="The account ingest runs under, when root sets it up.")
    ] = None,
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port for units.")] = 8883,
    service_port: Annotated[
        int, typer.Option(min=1, max=65535, help="Port for the service, on this machine only.")
    ] = 1883,
    data: Data = DATA,
) -> None:
    """Set up the broker that units in the field reach: TLS, a credential for each, topic rules."""
    from deploy import broker_setup, wiring
    from deploy.broker_setup import BrokerFolder
    from deploy.provisioning import Provisioning, tell_broker
    from services.clock import now_ms
    from services.settings import load_settings

    folder = BrokerFolder(to)
    records = wiring.open_records(load_settings(data))
    desk = Provisioning(folder, records, who=who, now_ms=now_ms())
    if renew:
        names = desk.renew(tuple(host or ()))
        typer.echo(f"New certificate for {', '.join(names)}")
        typer.echo(
            "The broker uses it now." if tell_broker(folder) else "Start the broker, or send it a SIGHUP."
        )
        return
    broker_setup.set_up(
        folder,
        host or (),
        now_ms=now_ms(),
        mutual=mutual_tls,
        owner=owner,
        service_owner=service_owner,
        unit_port=port,
        service_port=service_port,
    )
    desk.note_set_up(tuple(host or ()), mutual=mutual_tls)
    typer.echo(
        f"Start it:       mosquitto -c {folder.configuration}\n"
        f"or as a part:   BUSHLARDER_BROKER_FOLDER={to} bushlarder run\n"
        f"Units need:     {folder.ca}, port {port}, and what `bushlarder unit add` gives them\n"
        f"Root's key:     {folder.ca_key}: keep it on another medium, bring it back for --renew"
    )
