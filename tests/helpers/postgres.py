"""A real PostgreSQL in a private folder, on a local socket of its own; each test gets a fresh database."""

import contextlib
import os
import pwd
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import psycopg

USER = "bushlarder"


_UNPACKED = Path(__file__).parents[2] / "build" / "debian"
"""Where deploy/test unpacks Debian packages without installing them."""


def programs() -> Path | None:
    """Return the folder of the programs of a server that can be started here."""
    found = sorted(
        (path for root in (Path("/"), _UNPACKED) for path in root.glob("usr/lib/postgresql/*/bin/initdb")),
        key=lambda path: int(path.parts[-3]),
    )
    there = shutil.which("initdb")
    folders = [path.parent for path in reversed(found)] + ([] if there is None else [Path(there).parent])
    return next((folder for folder in folders if _runs(folder)), None)


def _runs(folder: Path) -> bool:
    """Return whether its libraries are here, and whether it may be run by who has to."""
    try:
        done = subprocess.run(
            [folder / "postgres", "--version"], check=False, capture_output=True, cwd="/", env=_libraries(),
            **_owner(),
        )  # fmt: skip
    except OSError:
        return False
    return done.returncode == 0


def _libraries() -> dict[str, str]:
    places = [str(path) for path in (_UNPACKED / "usr" / "lib").glob("*-linux-gnu*")]
    return {**os.environ, "LD_LIBRARY_PATH": ":".join(places)} if places else dict(os.environ)


def _owner() -> dict[str, object]:
    """Return as whom to start it: the server refuses to be root."""
    if os.geteuid() != 0:
        return {}
    nobody = pwd.getpwnam("nobody")
    return {"user": nobody.pw_uid, "group": nobody.pw_gid}


@contextlib.contextmanager
def running_postgres() -> Iterator["Server"]:
    """Give a running server, and stop it afterwards."""
    where = programs()
    if where is None:
        raise RuntimeError("no PostgreSQL server is installed")
    owner = _owner()
    # a socket's path is at most 107 bytes long: not below a test's folder
    folder = Path(tempfile.mkdtemp(prefix="pg"))
    try:
        if owner:
            os.chown(folder, owner["user"], owner["group"])
        data = folder / "data"
        quiet = {"capture_output": True, "cwd": folder, "env": _libraries(), **owner}
        subprocess.run(
            [where / "initdb", "-D", data, "-U", USER, "-A", "trust", "-E", "UTF8"], check=True, **quiet
        )
        options = f"-c listen_addresses='' -k {folder} -c fsync=off -c max_connections=40"
        subprocess.run(
            [where / "pg_ctl", "-D", data, "-w", "-o", options, "-l", folder / "log", "start"],
            check=True, cwd=folder, env=_libraries(),
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **owner,
        )  # fmt: skip
        try:
            yield Server(folder)
        finally:
            subprocess.run(
                [where / "pg_ctl", "-D", data, "-m", "immediate", "-w", "stop"], check=True, **quiet
            )
    finally:
        shutil.rmtree(folder, ignore_errors=True)


class Server:
    """A server that makes empty databases."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def fresh(self, like: str | None = None) -> str:
        """Return the URL of a database with nothing in it, or with what another one, not in use, holds."""
        name = f"t{uuid.uuid4().hex}"
        with psycopg.connect(
            f"host={self.folder} user={USER} dbname=postgres", autocommit=True
        ) as connection:
            model = "" if like is None else f' TEMPLATE "{urlsplit(like).path[1:]}"'
            connection.execute(f'CREATE DATABASE "{name}"{model}')
        return f"postgresql://{USER}@/{name}?host={self.folder}"
