"""Options that several commands have."""

import getpass
from pathlib import Path
from typing import Annotated

import typer
from platformdirs import user_data_path

from services.errors import ConfigurationError

DATA = user_data_path("bushlarder")
"""Where data are kept unless `--data` says otherwise."""

Data = Annotated[Path, typer.Option(help="Folder that holds the databases, the broker's state and the logs.")]
Port = Annotated[int | None, typer.Option(help="Port the pages are served on (default 8420).")]
BrokerUrl = Annotated[
    str | None, typer.Option("--broker", help="mqtts://HOST:PORT of a broker there is; mqtt:// only here.")
]


def at_terminal() -> str:
    """Return who gives a command, as it stands in the records."""
    return f"{getpass.getuser()} at the terminal"


def renamed(pairs: list[str]) -> dict[str, str]:
    """Return columns of a log by our names, as they were typed on a command line."""
    columns = {}
    for pair in pairs:
        ours, equals, theirs = pair.partition("=")
        if not equals or not ours or not theirs:
            raise ConfigurationError(
                f"{pair!r} is not OURS=THEIRS, for instance cabinet_c=T1", setting="--column"
            )
        columns[ours] = theirs
    return columns
