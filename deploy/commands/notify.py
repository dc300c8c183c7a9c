"""Commands about telling people: the process that does it, and tests whether somebody can be reached."""

from typing import Annotated, Literal

import typer

from deploy.commands.options import DATA, BrokerUrl, Data
from services.errors import ConfigurationError

app = typer.Typer(help="Telling people of notices; by itself it runs the process that does it.")


@app.callback(invoke_without_command=True)
def notify(context: typer.Context, data: Data = DATA, broker: BrokerUrl = None) -> None:
    """Run the notify process alone: who is to be told, and deliver it."""
    if context.invoked_subcommand is not None:
        return
    from deploy import messenger
    from services.logs import start_logs
    from services.settings import load_settings

    settings = load_settings(data, broker_url=broker)
    start_logs("notify", settings.log_level)
    messenger.notify(settings)


@app.command("test")
def try_ways(
    to: Annotated[str | None, typer.Option(help="Address to try; default: every way of everybody.")] = None,
    way: Annotated[
        Literal["mail", "web", "other", "lamp"] | None,
        typer.Option(help="What the address is; default: as it looks. Without --to only ways of this kind."),
    ] = None,
    who: Annotated[str, typer.Option(help="Who asks, for the text of the test.")] = "bushlarder notify test",
    broker: BrokerUrl = None,
    data: Data = DATA,
) -> None:
    """Send a test and say what happened; exit code 0 only when every one was taken."""
    from deploy import messenger, trying
    from deploy.wiring import open_records
    from services.clock import now_ms
    from services.settings import load_settings

    settings = load_settings(data, broker_url=broker)
    records = open_records(settings)
    if to is not None:
        ways = [trying.way_to(to, way)]
    else:
        ways = [each for each in records.ways() if not each.off and way in {None, each.kind}]
    if not ways:
        raise ConfigurationError(
            "nobody can be reached yet: People, then “How to reach me”, or --to ADDRESS",
            setting="notify test",
        )
    senders = messenger.senders(settings)
    tried = trying.attempt(ways, senders, records.fleet(), who=who, now_ms=now_ms())
    if not trying.tell(tried):
        raise typer.Exit(1)


@app.command()
def secret(
    to: Annotated[str, typer.Argument(help="The web address, exactly as it is entered as a way.")],
    data: Data = DATA,
) -> None:
    """Print the secret by which the receiver at a web address knows that a call is from here."""
    from deploy import messenger
    from services.notify.web import secret_of, shown
    from services.settings import load_settings

    typer.echo(shown(secret_of(messenger.webhook_secret(load_settings(data)), to)))
