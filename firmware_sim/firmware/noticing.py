"""What is worth an event: sensors that fall silent, cut-outs, starts that fail."""

from typing import Protocol

import numpy as np
import numpy.typing as npt

from services.telemetry import FloatArray, IntArray

BoolArray = npt.NDArray[np.bool_]

START_FAILED_EVERY_MS = 600_000
"""Failed starts closer together make one event. [ms]"""

EXPECTED_CHANNEL = "cabinet"
"""The one every unit has: it is missed from the first sample on, others only once they have answered."""


class Tell(Protocol):
    """Takes an event down."""

    def __call__(
        self, kind: str, at_ms: int, *, channel: str | None = None, detail: str | None = None
    ) -> None:
        """Take it down."""


class Noticer:
    """Compares each moment with the one before."""

    def __init__(self, channels: tuple[str, ...], tell: Tell) -> None:
        """Know nothing yet."""
        self._channels = channels
        self._tell = tell
        self._answered = {EXPECTED_CHANNEL}
        self._silent: set[str] = set()
        self._locked = False
        self._failed_starts = 0
        self._start_told_ms = -START_FAILED_EVERY_MS

    def booted(self) -> None:
        """Begin anew: what is silent after a boot is told again."""
        self._silent.clear()

    def sensors(self, t_ms: IntArray, columns: FloatArray) -> None:
        """Tell of sensors that stop answering and of those that answer again; (k,) and (k, channels)."""
        for name, column in zip(self._channels, columns.T, strict=True):
            silent = np.isnan(column)
            if silent.all() and (name in self._silent or name not in self._answered):
                continue
            self._answered.add(name)
            if silent.any() or name in self._silent:
                self._sensor(name, t_ms, silent)

    def _sensor(self, name: str, t_ms: IntArray, silent: BoolArray) -> None:
        for at_ms, quiet in zip(t_ms.tolist(), silent.tolist(), strict=True):
            if quiet and name not in self._silent:
                self._silent.add(name)
                self._tell("sensor_failed", at_ms, channel=name, detail="does not answer")
            elif not quiet and name in self._silent:
                self._silent.discard(name)
                self._tell("sensor_back", at_ms, channel=name)

    def supply(self, t_ms: IntArray, locked: BoolArray) -> None:
        """Tell of cut-outs and their ends."""
        before = np.concatenate([[self._locked], locked[:-1]])
        self._locked = bool(locked[-1])
        for k in np.flatnonzero(locked != before):
            self._tell("cut_out" if locked[k] else "restart", int(t_ms[k]))

    def starts(self, t_ms: IntArray, failed: IntArray) -> None:
        """Tell of starts that failed, from their running count."""
        steps = np.diff(np.concatenate([[self._failed_starts], failed]))
        self._failed_starts = int(failed[-1])
        for k in np.flatnonzero(steps > 0):
            if t_ms[k] - self._start_told_ms >= START_FAILED_EVERY_MS:
                self._start_told_ms = int(t_ms[k])
                self._tell("start_failed", int(t_ms[k]))
