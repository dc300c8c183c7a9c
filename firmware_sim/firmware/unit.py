"""What a unit keeps over power cuts, and what it does with samples and commands."""

import json
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from firmware_sim.firmware.ring import Ring, milli_or_missing
from services.errors import ConfigurationError
from services.telemetry import FloatArray, IntArray
from services.telemetry.messages import (
    BackfillArgs,
    Command,
    CommandReply,
    Event,
    SetArgs,
    Status,
)

FIRMWARE = "sim-1"
REMEMBERED_CORRELATIONS = 32
"""Commands come at least once; those in memory are not obeyed twice."""

CLOCK_SYNCHRONISED = 2
WARM_ABOVE_SET_POINT_K = 2.0
"""A unit this far above its set point does not take itself out of service. [K] Judgement."""


@dataclass(frozen=True)
class Build:
    """What a unit is built and set up as."""

    unit: str
    channels: tuple[str, ...]
    interval_s: int
    step_s: int
    phase_s: int
    set_point_c: float
    restart_v: float
    ring_samples: int = 60_000
    """Room in memory: 41 days of one a minute."""


@dataclass
class _Kept:
    """The small file beside the ring."""

    bid: int = 0
    interval_s: int = 60
    correlations: list[str] = field(default_factory=list)


class Firmware:
    """One unit's brain: samples into the ring, commands out of the message."""

    def __init__(self, build: Build, folder: Path, *, boot_ms: int) -> None:
        self.build = build
        self._file = folder / f"{build.unit}.json"
        self._lock = threading.RLock()
        self._kept = self._read()
        self.ring = Ring(folder / f"{build.unit}.ring", channels=build.channels, capacity=build.ring_samples)
        self._sq = 0
        self._boot_ms = boot_ms
        self._newest_ms = self._newest_kept_ms()
        self._locked = False
        self._last: dict[str, float] = {}
        self._boot(boot_ms)

    def _read(self) -> _Kept:
        if not self._file.exists():
            return _Kept(interval_s=self.build.interval_s)
        try:
            plain = json.loads(self._file.read_text(encoding="utf-8"))
            return _Kept(int(plain["bid"]), int(plain["interval_s"]), [str(c) for c in plain["correlations"]])
        except (ValueError, KeyError, TypeError) as error:
            raise ConfigurationError("not a unit's memory", setting=self._file.name) from error

    def _write(self) -> None:
        fresh = self._file.with_suffix(".new")
        fresh.write_text(json.dumps(vars(self._kept)), encoding="utf-8")
        fresh.replace(self._file)

    def _newest_kept_ms(self) -> int:
        written = self.ring.counts().written
        last = self.ring.read(written - 1, written)
        return int(last["t_ms"][0]) if last.size else -1

    def _boot(self, at_ms: int) -> None:
        with self._lock:
            self._kept.bid += 1
            self._sq, self._boot_ms = 0, at_ms
            self._write()

    @property
    def bid(self) -> int:
        """Which boot this is."""
        with self._lock:
            return self._kept.bid

    @property
    def interval_s(self) -> int:
        """Seconds between samples, as last set."""
        with self._lock:
            return self._kept.interval_s

    def take(self, t_ms: IntArray, values: Mapping[str, FloatArray]) -> int:
        """Keep the samples that are due among these times; returns how many.

        Times up to the newest kept one are passed over: after a restart the physics may be a little
        behind what was already measured.
        """
        with self._lock:
            due = (t_ms // 1000 - self.build.phase_s) % self._kept.interval_s == 0
            rows = np.flatnonzero(due & (t_ms > self._newest_ms))
            if not rows.size:
                return 0
            columns = [values[name][rows] for name in self.build.channels]
            chosen_ms = t_ms[rows]
            self.ring.append(
                bid=self._kept.bid,
                sq=self._sq,
                tq=CLOCK_SYNCHRONISED,
                t_ms=chosen_ms,
                up_ms=np.maximum(chosen_ms - self._boot_ms, 0),
                milli=milli_or_missing(np.stack(columns, axis=1)),
            )
            self._sq += rows.size
            self._newest_ms = int(chosen_ms[-1])
            self._last = {name: float(values[name][rows[-1]]) for name in self.build.channels}
            return int(rows.size)

    def status(self, state: str = "on") -> Status:
        """Return what the unit says of itself."""
        return Status.model_validate(
            {"s": state, "bid": self.bid, "fw": FIRMWARE, "cap": self.build.channels, "next": self.interval_s}
        )

    def boot_event(self) -> Event:
        """Return the event that tells of this boot."""
        with self._lock:
            return Event(kind="boot", bid=self._kept.bid, t=self._boot_ms / 1000.0, up=0.0)

    def cutout_events(self, t_ms: IntArray, locked: npt.NDArray[np.bool_]) -> list[Event]:
        """Return what happened to the supply at these times: stopped for want of voltage, or let go again."""
        before = np.concatenate([[self._locked], locked[:-1]])
        self._locked = bool(locked[-1])
        return [
            Event(kind="cut_out" if locked[k] else "restart", bid=self.bid, t=int(t_ms[k]) / 1000.0)
            for k in np.flatnonzero(locked != before)
        ]

    def is_repeat(self, correlation: bytes) -> bool:
        """Tell whether a command was seen before, and remember it."""
        with self._lock:
            key = correlation.hex()
            if key in self._kept.correlations:
                return True
            self._kept.correlations = [*self._kept.correlations, key][-REMEMBERED_CORRELATIONS:]
            self._write()
            return False

    def obey(self, command: Command, *, now_ms: int) -> tuple[CommandReply, list[tuple[int, int]]]:
        """Return the reply, and stretches of ring indexes ``[start, end)`` to send again."""
        match command.args:
            case BackfillArgs() as asked:
                return self._backfill(asked)
            case SetArgs() as asked:
                return self._set_interval(asked.interval_s), []
            case _:
                pass
        if command.name == "status":
            return CommandReply(name="status", result="done", detail=f"bid {self.bid}"), []
        if command.name == "reboot":
            return self._reboot(now_ms), []
        return CommandReply(name=command.name, result="refused", detail="not in this firmware"), []

    def _backfill(self, asked: BackfillArgs) -> tuple[CommandReply, list[tuple[int, int]]]:
        index = self.ring.find(bid=asked.bid, first_sq=asked.from_sq, last_sq=asked.to_sq)
        if not index.size:
            return CommandReply(name="backfill", result="gone", gone=(asked,)), []
        numbers = self.ring.read(int(index[0]), int(index[-1]) + 1)["sq"]
        stretches = [
            BackfillArgs(bid=asked.bid, from_sq=low, to_sq=high)
            for low, high in ((asked.from_sq, int(numbers[0]) - 1), (int(numbers[-1]) + 1, asked.to_sq))
            if low <= high
        ]
        reply = CommandReply(name="backfill", result="done", gone=tuple(stretches))
        return reply, [(int(index[0]), int(index[-1]) + 1)]

    def _set_interval(self, interval_s: int) -> CommandReply:
        if interval_s % self.build.step_s:
            return CommandReply(
                name="set", result="refused", detail=f"whole multiples of {self.build.step_s} s only"
            )
        with self._lock:
            self._kept.interval_s = interval_s
            self._write()
        return CommandReply(name="set", result="done")

    def _reboot(self, now_ms: int) -> CommandReply:
        volts = self._last.get("battery")
        cabinet_c = self._last.get("cabinet")
        if volts is not None and volts < self.build.restart_v:
            return CommandReply(name="reboot", result="refused", detail="battery below cut-in")
        if cabinet_c is None or cabinet_c > self.build.set_point_c + WARM_ABOVE_SET_POINT_K:
            return CommandReply(name="reboot", result="refused", detail="cabinet is warm or not known")
        self._boot(now_ms)
        return CommandReply(name="reboot", result="done")

    def close(self) -> None:
        """Release the files."""
        self.ring.close()
