"""Opens the records database: SQLite tuned for two writing processes, or any other by its URL."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from services.errors import ConfigurationError, DependencyUnavailable

BUSY_TIMEOUT_S = 5.0
"""How long a writer waits for the other one (design 4)."""

_WRITE = "bushlarder_write"


class Database:
    """Hands out short sessions: reading ones, and writing ones that hold the write lock from the start."""

    def __init__(self, path_or_url: Path | str) -> None:
        """Open the database and bring its tables to the newest form."""
        self._engine = _engine(path_or_url)
        self._writing = self._engine.execution_options(**{_WRITE: True})
        with _dependable():
            migrate(self._writing)

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Yield a session on one consistent state."""
        with _dependable(), Session(self._engine) as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Yield a session that is committed at the end, or undone when anything is raised."""
        with _dependable(), Session(self._writing, expire_on_commit=False) as session, session.begin():
            session.connection()
            yield session

    def close(self) -> None:
        """Release every connection."""
        self._engine.dispose()


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


def _engine(path_or_url: Path | str) -> Engine:
    text = str(path_or_url)
    if "://" in text:
        engine = create_engine(text)
    else:
        engine = create_engine(f"sqlite:///{text}", connect_args={"timeout": BUSY_TIMEOUT_S})
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _tune)
        event.listen(engine, "begin", _begin)
    return engine


def _tune(connection: Any, _record: object) -> None:  # noqa: ANN401 - the driver's own connection
    """Leave transactions to us, let readers go on beside the writer, and make commits durable."""
    connection.isolation_level = None
    for pragma in ("journal_mode=WAL", "synchronous=FULL", f"busy_timeout={BUSY_TIMEOUT_S * 1000:.0f}"):
        connection.execute(f"PRAGMA {pragma}").close()


def _begin(connection: Connection) -> None:
    """Take the write lock at once: a lock taken halfway cannot be waited for."""
    write = connection.get_execution_options().get(_WRITE, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


@contextmanager
def _dependable() -> Iterator[None]:
    try:
        yield
    except OperationalError as error:
        raise DependencyUnavailable(f"the records do not answer: {error.orig}") from error
