"""Commands that set up what the service stands on."""

import typer

from deploy.commands import broker, influx, tls

app = typer.Typer(help="Set up what the service stands on.", no_args_is_help=True)
app.command("broker")(broker.broker)
app.command("influx")(influx.influx)
app.command("tls")(tls.tls)
