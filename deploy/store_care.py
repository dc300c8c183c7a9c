"""What is done with the store of a box that stands still: moved to another kind, or made small."""

import shutil
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from deploy import moving
from deploy.stores import influx_access
from services import pulse
from services.clock import now_ms
from services.errors import ConfigurationError
from services.settings import Settings
from services.store.influx import InfluxStore
from services.store.influx_moving import OnServer
from services.store.moving import InFile, Side
from services.store.sqlite import SqliteStore

KINDS = ("sqlite", "influx")


def migrate(settings: Settings, came_from: str, to: str) -> Iterator[str]:
    """Move all samples and the ledger; yield what to tell. The source stays as it is.

    Raises
    ------
    ConfigurationError
        If the box runs, the kinds are not two, there is nothing to move, or the target is not empty.
    """
    if {came_from, to} != set(KINDS):
        raise ConfigurationError("must be one of sqlite and influx each, and not the same", setting="--to")
    _must_stand_still(settings.data)
    files = {"sqlite": settings.telemetry_db, "influx": settings.ledger_db}
    if not files[came_from].exists():
        raise ConfigurationError(f"there is no {files[came_from].name}", setting="--from")
    with closing(InfluxStore(influx_access(settings), settings.ledger_db)) as influx:
        influx.check()
        with closing(SqliteStore(settings.telemetry_db, seal_after_days=settings.seal_after_days)) as sqlite:
            sides: dict[str, Side] = {"sqlite": InFile(sqlite), "influx": OnServer(influx)}
            yield from moving.move(sides[came_from], sides[to], moving.notes_of(settings.data, to))
            while to == "sqlite" and sqlite.tidy(now_ms()):
                pass
    yield f'Write store = "{to}" into bushlarder.toml and start the box; {files[came_from].name} may then go.'


def compact(settings: Settings) -> Iterator[str]:
    """Seal what is old enough and write the store's file anew, without empty pages; yield what to tell.

    Raises
    ------
    ConfigurationError
        If the box runs, or the disk has no room for a second copy.
    """
    _must_stand_still(settings.data)
    path = settings.telemetry_db if settings.store == "sqlite" else settings.ledger_db
    if not path.exists():
        raise ConfigurationError(f"there is no {path.name}", setting="data")
    before = path.stat().st_size
    if shutil.disk_usage(settings.data).free < 2 * before:
        raise ConfigurationError(
            f"needs {2 * before / 1e6:.0f} MB of room on the disk for a while", setting="data"
        )
    with closing(SqliteStore(path, seal_after_days=settings.seal_after_days)) as store:
        while settings.store == "sqlite" and store.tidy(now_ms()):
            pass
        store.write_anew()
    yield f"{path.name}: {before / 1e6:.1f} MB before, {path.stat().st_size / 1e6:.1f} MB now"


def _must_stand_still(data: Path) -> None:
    running = pulse.running(data)
    if running:
        raise ConfigurationError(
            f"{' and '.join(running)} run on this folder: stop them first", setting="data"
        )
