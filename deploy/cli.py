"""The ``bushlarder`` command: puts the groups of commands together, and turns errors into exit codes."""

import sys

import typer

from deploy.commands import (
    backtest,
    bench,
    care,
    export,
    fleet,
    lamp,
    look,
    notify,
    person,
    serve,
    setup,
    simulate,
    store,
    unit,
)
from services.errors import BushlarderError, ConfigurationError

app = typer.Typer(
    name="bushlarder",
    help="Know from afar: is every cabinet cold, how long was food too warm, will the battery last.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
)
for group in (serve, look, bench, fleet, care, simulate):
    app.add_typer(group.app)
app.add_typer(person.app, name="person")
app.add_typer(setup.app, name="setup")
app.add_typer(unit.app, name="unit")
app.add_typer(lamp.app, name="lamp")
app.add_typer(notify.app, name="notify")
app.add_typer(store.app, name="store")
app.add_typer(backtest.app, name="backtest")
app.add_typer(export.app, name="export")


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
