"""Commands that run the house, whole or in parts."""

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from deploy.commands.options import DATA, BrokerUrl, Data, Port

app = typer.Typer()

Access = Annotated[str | None, typer.Option(help="accounts, or demo: no passwords, on this machine only.")]
DEMO_SCENARIO = Path(__file__).resolve().parents[2] / "firmware_sim" / "scenarios" / "quiet_ridge.toml"
DEMO_FLEET = DEMO_SCENARIO.with_name("quiet_ridge_fleet.toml")


@app.command()
def run(data: Data = DATA, port: Port = None, broker: BrokerUrl = None) -> None:
    """Run a lodge box: broker, ingest, monitor and pages."""
    from deploy import coming_in, lodge_box, wiring
    from services.settings import load_settings

    settings = load_settings(data, port=port, broker_url=broker)
    coming_in.require_private_pages(settings)
    words = coming_in.first_words(settings, wiring.open_records(settings))
    lodge_box.run(settings, stop=wiring.stop_event(), console=Console(), welcome=words)


@app.command()
def demo(
    data: Data = DATA / "demo",
    port: Port = None,
    days: Annotated[float, typer.Option(help="Days of history the simulated fleet brings.")] = 14.0,
) -> None:
    """Run a lodge box with a simulated fleet whose history arrives through MQTT."""
    from deploy import fleetfiles, lodge_box, wiring
    from services.clock import now_ms
    from services.settings import load_settings

    settings = load_settings(data, port=port, access="demo")
    records = wiring.open_records(settings)
    if not records.known_units():
        fleetfiles.apply_fleet_file(records, DEMO_FLEET, who="demo", at_ms=now_ms())
    lodge_box.run(
        settings,
        stop=wiring.stop_event(),
        console=Console(),
        demo=lodge_box.Demo(scenario=DEMO_SCENARIO, history_days=days, units=len(records.known_units())),
    )


@app.command()
def ingest(data: Data = DATA, broker: BrokerUrl = None) -> None:
    """Run the ingest process alone: from the broker into the store."""
    from deploy import wiring
    from services.logs import start_logs
    from services.settings import load_settings

    settings = load_settings(data, broker_url=broker)
    start_logs("ingest", settings.log_level)
    wiring.ingest(settings)


@app.command()
def monitor(data: Data = DATA) -> None:
    """Run the monitor process alone: from the store to verdicts."""
    from deploy import wiring
    from services.logs import start_logs
    from services.settings import load_settings

    settings = load_settings(data)
    start_logs("monitor", settings.log_level)
    wiring.monitor(settings)


@app.command()
def web(data: Data = DATA, port: Port = None, access: Access = None) -> None:
    """Run the web process alone: interface and pages; `person invite` makes the first account."""
    from deploy import front
    from services.logs import start_logs
    from services.settings import load_settings

    settings = load_settings(data, port=port, access=access)
    start_logs("web", settings.log_level)
    front.web(settings)
