"""Opening the telemetry store that the settings choose: the embedded one, or an InfluxDB.

What an InfluxDB needs takes a good part of a second to load, so that it is loaded where it is chosen.
"""

from collections.abc import Iterator
from contextlib import closing, contextmanager

import structlog

from deploy import moving
from deploy.analyse import read_text
from deploy.backing_up import bring_up_to_date
from services.errors import ConfigurationError, DependencyUnavailable
from services.settings import Settings
from services.store import StoreReader, TelemetryStore
from services.store.counting import CountRule
from services.store.influx_access import InfluxAccess
from services.store.sqlite import SqliteReader, SqliteStore

_log = structlog.get_logger(__name__)


def influx_access(settings: Settings) -> InfluxAccess:
    """Return the way to the InfluxDB of the settings.

    Raises
    ------
    ConfigurationError
        If address or token are missing, or the token's file cannot be read.
    """
    if settings.influx_url is None:
        raise ConfigurationError("must say where the InfluxDB is", setting="influx_url")
    if settings.influx_token is not None:
        token = settings.influx_token.get_secret_value()
    elif settings.influx_token_file is not None:
        token = read_text(settings.influx_token_file).strip()
    else:
        raise ConfigurationError("is missing, and influx_token_file too", setting="influx_token")
    return InfluxAccess(
        url=settings.influx_url,
        token=token,
        org=settings.influx_org,
        bucket=settings.influx_bucket,
        auth_basic=":" in token,
    )


def open_store(settings: Settings, rule: CountRule | None = None) -> TelemetryStore:
    """Open the telemetry store for writing; with a rule its housekeeping counts hours by it.

    Raises
    ------
    ConfigurationError
        If the InfluxDB is there but token or bucket are not right; one that is not there is waited for.
    """
    _ready(settings)
    if settings.store == "sqlite":
        return SqliteStore(settings.telemetry_db, seal_after_days=settings.seal_after_days, rule=rule)
    from services.store.influx import InfluxStore
    from services.store.influx_server import InfluxRefused

    store = InfluxStore(influx_access(settings), settings.ledger_db, rule=rule)
    try:
        store.check()
    except InfluxRefused as error:
        store.close()
        raise ConfigurationError(str(error), setting="store") from error
    except DependencyUnavailable as error:
        _log.warning("store.influx.unavailable", error=str(error))
    return store


def _ready(settings: Settings) -> None:
    """See to it that the store may be opened: tables of an earlier version change after a backup only."""
    bring_up_to_date(settings)
    if not moving.is_whole(settings.data, settings.store):
        raise ConfigurationError("was not filled to the end: let `store migrate` finish", setting="store")


@contextmanager
def open_reader(settings: Settings, rule: CountRule | None = None) -> Iterator[StoreReader]:
    """Open the telemetry store for reading; the file is made first where it does not exist yet."""
    _ready(settings)
    reader: StoreReader
    if settings.store == "sqlite":
        reader = SqliteReader(settings.telemetry_db, rule=rule)
    else:
        from services.store.influx import InfluxReader

        reader = InfluxReader(influx_access(settings), settings.ledger_db, rule=rule)
    try:
        yield reader
    finally:
        reader.close()


def set_up_influx(settings: Settings, *, keep_days: int | None) -> list[str]:
    """Make bucket, retention and roll-up; return what now holds.

    Raises
    ------
    ConfigurationError
        If the server will not let us.
    """
    from services.store import influx_setup
    from services.store.influx_server import InfluxRefused, InfluxServer

    with closing(InfluxServer(influx_access(settings))) as server:
        try:
            return influx_setup.set_up(server, keep_days=keep_days)
        except InfluxRefused as error:
            raise ConfigurationError(str(error), setting="influx_token") from error
