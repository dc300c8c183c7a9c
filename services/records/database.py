"""Opens the records database: SQLite tuned for two writing processes, or a PostgreSQL by its URL."""

import copy
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from services.errors import ConfigurationError, DependencyUnavailable
from services.records.chaining import link_all
from services.records.kept import AlreadyWrittenError, Kept
from services.records.tables import KEPT, SIGNED, KeyRow

BUSY_TIMEOUT_S = 5.0
"""How long a writer waits for the other one (design 4)."""

_WRITE = "bushlarder_write"
_WRITERS = 8_420_001
"""The number of the lock that writers at a server hold; any number that everybody agrees on."""


class Database:
    """Hands out short sessions: reading ones, and writing ones that hold the write lock from the start."""

    def __init__(self, path_or_url: Path | str | URL) -> None:
        """Open the database and bring its tables to the newest form."""
        self.kept: Kept | None = None
        self._engine = _engine(path_or_url)
        self._writing = self._engine.execution_options(**{_WRITE: True})
        try:
            with _dependable():
                migrate(self._writing)
        except BaseException:
            self._engine.dispose()  # nobody gets this object to close it
            raise

    def signing(self, how: str) -> "Database":
        """Return the same database for writing what was signed in one way (see `tables.SIGNED`)."""
        found = copy.copy(self)
        found._writing = self._writing.execution_options(**{SIGNED: how})  # noqa: SLF001 - a copy of ourselves
        return found

    def keeping(self, kept: Kept) -> "Database":
        """Return the same database for writing one word that came under a key, once."""
        found = copy.copy(self)
        found._writing = self._writing.execution_options(**{KEPT: kept})  # noqa: SLF001 - a copy of ourselves
        found.kept = kept
        return found

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Yield a session on one consistent state."""
        with _dependable(), Session(self._engine) as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Yield a session that is committed at the end, or undone when anything is raised.

        Raises
        ------
        AlreadyWrittenError
            If what is to be written came before, under the same key.
        """
        with _dependable(), Session(self._writing, expire_on_commit=False) as session, session.begin():
            session.connection()
            if self.kept is not None:
                _spend(session, self.kept)
            yield session
            link_all(session)

    def tidy(self) -> None:
        """Leave nothing in a file of what was removed or overwritten; a server does so in its own time."""
        if self._engine.dialect.name != "sqlite":
            return
        with _dependable(), self._engine.connect() as connection:
            # Neither can be done inside of the transaction that every connection here begins with.
            for words in ("COMMIT", "VACUUM", "PRAGMA wal_checkpoint(TRUNCATE)", "BEGIN"):
                connection.exec_driver_sql(words)

    def close(self) -> None:
        """Release every connection."""
        self._engine.dispose()


def _spend(session: Session, kept: Kept) -> None:
    """Keep the key in the same transaction as the word: both are there, or neither."""
    if session.get(KeyRow, kept.key) is not None:
        raise AlreadyWrittenError("This was written down before.")
    session.add(KeyRow(key=kept.key, t_ms=kept.received_ms))
    session.flush()


def _steps() -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    return config


def newest_form() -> str | None:
    """Return the name of the form that the tables have once they are opened."""
    return ScriptDirectory.from_config(_steps()).get_current_head()


def migrate(engine: Engine) -> None:
    """Bring the tables to the newest form; two processes may do so at once.

    Raises
    ------
    ConfigurationError
        If a newer version of this program has changed them already.
    """
    config = _steps()
    try:
        with engine.begin() as connection:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
    except CommandError as error:
        raise ConfigurationError(
            f"the records were written by a newer version ({error}): use that one, or restore the backup "
            "that was taken before it changed them",
            setting="records",
        ) from error


def _engine(path_or_url: Path | str | URL) -> Engine:
    if not isinstance(path_or_url, URL) and "://" not in str(path_or_url):
        engine = create_engine(f"sqlite:///{path_or_url}", connect_args={"timeout": BUSY_TIMEOUT_S})
    else:
        engine = _server(path_or_url if isinstance(path_or_url, URL) else make_url(str(path_or_url)))
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _tune)
        event.listen(engine, "begin", _begin)
    else:
        event.listen(engine, "begin", _begin_at_server)
    return engine


def _server(url: URL) -> Engine:
    if url.get_backend_name() == "postgresql":
        url = url.set(drivername="postgresql+psycopg")
    try:
        # A connection that died meanwhile is replaced, not handed out.
        return create_engine(url, pool_pre_ping=True)
    except ModuleNotFoundError as error:
        raise ConfigurationError(
            f"this database needs {error.name}, which bushlarder[postgres] brings", setting="records_url"
        ) from error


def _tune(connection: Any, _record: object) -> None:  # noqa: ANN401 - the driver's own connection
    """Leave transactions to us, let readers go on beside the writer, and make commits durable."""
    connection.isolation_level = None
    for pragma in ("journal_mode=WAL", "synchronous=FULL", f"busy_timeout={BUSY_TIMEOUT_S * 1000:.0f}"):
        connection.execute(f"PRAGMA {pragma}").close()


def _begin(connection: Connection) -> None:
    """Take the write lock at once: a lock taken halfway cannot be waited for."""
    write = connection.get_execution_options().get(_WRITE, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


def _begin_at_server(connection: Connection) -> None:
    """Do at a server what SQLite does by itself: one writer at a time, and readers on one state.

    Numbers that go on are read, raised and written back, and must rise in the order of the commits.
    """
    if connection.get_execution_options().get(_WRITE, False):
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{BUSY_TIMEOUT_S:.0f}s'")
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITERS})")
    else:
        connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")


@contextmanager
def _dependable() -> Iterator[None]:
    try:
        yield
    except OperationalError as error:
        raise DependencyUnavailable(f"the records do not answer: {error.orig}") from error
