"""Keeps the processes of a lodge box running, and stops them all when it stops."""

import contextlib
import os
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from services.errors import DependencyUnavailable

PARENT_PIPE = "BUSHLARDER_PARENT_PIPE"
"""Set for children: their standard input stays open as long as the parent lives."""

_STOP_WITHIN_S = 10.0
_RESTART_AFTER_S = (0.5, 1.0, 2.0, 5.0, 10.0, 30.0)
_STEADY_AFTER_S = 60.0
LOG_BYTES = 10_000_000
"""A log that has grown so long is turned over; one older piece is kept."""


@dataclass
class _Child:
    name: str
    command: Sequence[str]
    log: Path
    process: subprocess.Popen[bytes] | None = None
    started_s: float = 0.0
    restarts: int = 0
    not_before_s: float = 0.0


@dataclass
class Supervisor:
    """Starts named children of this program, restarts those that end, and stops them together."""

    logs: Path
    children: list[_Child] = field(default_factory=list)
    on_restart: Callable[[str, int], None] | None = None

    def add(self, name: str, *arguments: str) -> None:
        """Start ``bushlarder ARGUMENTS`` as a child that logs to its own file."""
        self.logs.mkdir(parents=True, exist_ok=True)
        child = _Child(name, [sys.executable, "-m", "deploy.cli", *arguments], self.logs / f"{name}.log")
        self.children.append(child)
        self._start(child)

    def _start(self, child: _Child) -> None:
        _close_pipe(child)
        with child.log.open("ab") as log:
            child.process = subprocess.Popen(  # noqa: S603 - our own module
                child.command,
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=log,
                env={**os.environ, PARENT_PIPE: "1"},
                start_new_session=True,  # Ctrl-C reaches the parent only, which then stops them in order
            )
        child.started_s = time.monotonic()

    def check(self) -> None:
        """Restart children that ended, each time a little later."""
        now = time.monotonic()
        for child in self.children:
            _turn_over(child.log)
            if child.process is None or child.process.poll() is None:
                if child.restarts and now - child.started_s > _STEADY_AFTER_S:
                    child.restarts = 0
                continue
            if child.not_before_s == 0.0:
                child.not_before_s = now + _RESTART_AFTER_S[min(child.restarts, len(_RESTART_AFTER_S) - 1)]
                if self.on_restart is not None:
                    self.on_restart(child.name, child.process.returncode)
            elif now >= child.not_before_s:
                child.not_before_s = 0.0
                child.restarts += 1
                self._start(child)

    def running(self, name: str) -> bool:
        """Return whether a child runs at this moment."""
        return any(
            child.name == name and child.process is not None and child.process.poll() is None
            for child in self.children
        )

    def require(self, name: str) -> None:
        """Raise DependencyUnavailable, quoting the end of its log, if a child has ended."""
        child = next(child for child in self.children if child.name == name)
        if child.process is not None and child.process.poll() is not None:
            tail = child.log.read_text(encoding="utf-8", errors="replace").strip().splitlines()[-1:]
            raise DependencyUnavailable(
                f"{name} ended with code {child.process.returncode}: {' '.join(tail)}"
            )

    def stop(self) -> None:
        """Stop every child, newest first; kill those that do not end in time."""
        for child in reversed(self.children):
            process = child.process
            if process is None:
                continue
            _close_pipe(child)
            if process.poll() is None:
                process.terminate()
        end = time.monotonic() + _STOP_WITHIN_S
        for child in reversed(self.children):
            if child.process is None:
                continue
            try:
                child.process.wait(max(0.1, end - time.monotonic()))
            except subprocess.TimeoutExpired:
                child.process.kill()
                child.process.wait()


def _turn_over(log: Path) -> None:
    """Put a long log aside; the child, which only appends, goes on in the emptied file."""
    with contextlib.suppress(OSError):  # a full disk, perhaps: the next look tries again
        if log.stat().st_size > LOG_BYTES:
            shutil.copyfile(log, log.with_suffix(".1.log"))
            os.truncate(log, 0)


def _close_pipe(child: _Child) -> None:
    """Close our end of a child's standard input: to the child, the parent is gone."""
    if child.process is not None and child.process.stdin is not None:
        with contextlib.suppress(OSError):
            child.process.stdin.close()


def stop_with_parent(stop: threading.Event) -> None:
    """In a child: set `stop` when the parent is gone, however it ended."""
    if os.environ.get(PARENT_PIPE) != "1":
        return

    def watch() -> None:
        with contextlib.suppress(OSError):
            while os.read(sys.stdin.fileno(), 1024):
                pass
        stop.set()

    threading.Thread(target=watch, name="parent-watch", daemon=True).start()
