"""Runs a scenario against a broker: the past quickly, then the present as it comes."""

import json
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import structlog

from firmware_sim import clock
from firmware_sim.board import Board
from firmware_sim.firmware.address import BrokerAt
from firmware_sim.firmware.build import Build
from firmware_sim.firmware.flash import FileFlash
from firmware_sim.firmware.radio import Radio
from firmware_sim.firmware.unit import HOUR_S, Firmware
from firmware_sim.firmware.way import Away
from firmware_sim.history import Block, Simulator
from firmware_sim.plant.forcing import event_start_ms
from firmware_sim.plant.plant import DEFAULT_RESTART_V, State
from firmware_sim.scenarios.load import Scenario, load_scenario
from firmware_sim.sensors import COLUMN_OF, cabinet_read_by, shown
from services.errors import ConfigurationError
from services.timebase import DAY_MS, HOUR_MS

log = structlog.get_logger(__name__)

KEEP_EVERY_S = 60.0
"""How often the plant's state is written while running."""

TURN_S = 0.25

Progress = dict[str, Any]


@dataclass(frozen=True)
class _Memory:
    """The plant's state on disk, in one file so that it is whole or not there."""

    file: Path

    def write(self, *, anchor_ms: int, reached_ms: int, state: State) -> None:
        fresh = self.file.with_suffix(".new")
        head = json.dumps({"anchor_ms": anchor_ms, "reached_ms": reached_ms})
        with fresh.open("wb") as file:
            np.savez(file, allow_pickle=False, head=np.array(head), **state.arrays())
        fresh.replace(self.file)

    def read(self, units: int, banks: int) -> tuple[int, int, State] | None:
        if not self.file.exists():
            return None
        try:
            with np.load(self.file, allow_pickle=False) as kept:
                head = json.loads(str(kept["head"]))
                state = State.of({name: kept[name] for name in kept.files if name != "head"})
        except (OSError, ValueError, TypeError, KeyError) as error:
            raise ConfigurationError("not the state of a simulation", setting=self.file.name) from error
        if state.air_c.size != units or state.q1_ah.size != banks:
            raise ConfigurationError(
                "kept for another fleet; start with an empty folder", setting=self.file.name
            )
        return int(head["anchor_ms"]), int(head["reached_ms"]), state


def _builds(scenario: Scenario) -> list[Build | None]:
    volts = {bank.id: bank.nominal_v for bank, _ in scenario.banks}
    return [
        Build(
            unit=unit.id,
            channels=physics.channels,
            interval_s=unit.interval_s,
            step_s=scenario.step_s,
            phase_s=physics.phase_s - physics.phase_s % scenario.step_s,
            set_point_c=unit.aim_c,
            restart_v=unit.supply.restart_v
            if unit.supply.restart_v is not None
            else DEFAULT_RESTART_V * volts.get(unit.supply.bank or "", 12) / 12,
            ring_samples=physics.memory_samples,
            backed_clock=physics.backed_clock,
            pack_s=HOUR_S if unit.link.budget_kb_day > 0.0 else 0,
        )
        if physics.runs
        else None
        for unit, physics in scenario.units
    ]


def _flash_of(build: Build, folder: Path) -> FileFlash:
    path = folder / f"{build.unit}.flash"
    try:
        return FileFlash(path, pages=build.flash_pages)
    except ValueError as error:
        raise ConfigurationError(
            "kept with other channels; start with an empty folder", setting=path.name
        ) from error


def _away(scenario: Scenario, index: int, anchor_ms: int) -> list[Away]:
    unit, physics = scenario.units[index]
    zone = ZoneInfo(next(site.timezone for site, _ in scenario.sites if site.id == unit.site))
    stretches = []
    for event in physics.event:
        if event.kind == "out_of_coverage":
            start_ms = event_start_ms(event, anchor_ms=anchor_ms, zone=zone)
            stretches.append(Away(start_ms, start_ms + round(event.lasts_h * HOUR_MS)))
    return stretches


class FleetRun:
    """One run of a scenario: plant, firmware of every unit and their radios."""

    def __init__(
        self,
        scenario: Path | Scenario,
        broker: BrokerAt,
        *,
        state_dir: Path,
        history_days: float,
        stop: threading.Event,
        now_ms: Callable[[], int],
    ) -> None:
        self._scenario = load_scenario(scenario) if isinstance(scenario, Path) else scenario
        state_dir.mkdir(parents=True, exist_ok=True)
        self._memory = _Memory(state_dir / "plant.npz")
        kept = self._memory.read(len(self._scenario.units), len(self._scenario.banks))
        if kept is None:
            self._anchor_ms = now_ms()
            start_ms, state = self._anchor_ms - round(history_days * DAY_MS), None
        else:
            self._anchor_ms, start_ms, state = kept
        self._began_ms = start_ms
        self.simulator = Simulator(self._scenario, anchor_ms=self._anchor_ms, start_ms=start_ms, state=state)
        self._stop = stop
        self._radio_stop = threading.Event()
        self._units: list[tuple[int, Firmware]] = []
        self._boards: list[Board] = []
        try:
            self._make_boards(state_dir, fresh=kept is None)
        except BaseException:
            self._close_units()
            raise
        self._radios = [
            Radio(
                board.firmware,
                broker,
                stop=self._radio_stop,
                now_ms=now_ms,
                away=board.away,
                seed=self._scenario.seed,
            )
            for board in self._boards
        ]
        self._kept_s = time.monotonic()
        self.keep()

    def _make_boards(self, folder: Path, *, fresh: bool) -> None:
        for i, build in enumerate(_builds(self._scenario)):
            if build is None:
                continue
            flash = _flash_of(build, folder)
            try:
                firmware = Firmware(build, flash, boot_ms=self.simulator.reached_ms)
            except BaseException:
                flash.close()
                raise
            self._units.append((i, firmware))
            away = tuple(_away(self._scenario, i, self._anchor_ms))
            self._boards.append(Board(i, firmware, flash, away=away, fresh=fresh))

    def keep(self) -> None:
        """Write the plant's state."""
        self._memory.write(
            anchor_ms=self._anchor_ms, reached_ms=self.simulator.reached_ms, state=self.simulator.state
        )
        self._kept_s = time.monotonic()

    def start_radios(self) -> None:
        """Put every unit on the air."""
        for radio in self._radios:
            radio.start()

    def advance(self, until_ms: int, told: Callable[[], None]) -> None:
        """Move the plant on and let every unit measure."""
        for block in self.simulator.blocks(until_ms):
            self._measure(block)
            told()
            if self._stop.is_set():
                break
        if time.monotonic() - self._kept_s > KEEP_EVERY_S:
            self.keep()

    def _measure(self, block: Block) -> None:
        names = {name for board in self._boards for name in board.firmware.build.channels}
        readings = {name: shown(COLUMN_OF[name], block.true, block.noise, block.faults) for name in names}
        reads = cabinet_read_by(block.faults, len(self._scenario.units))
        for board, radio in zip(self._boards, self._radios, strict=True):
            radio.way.becomes(board.air(block))
            board.live(block, readings, int(reads[board.index]))

    def progress(self) -> Progress:
        """Return how far everything is; sent counts repeats."""
        counts = [firmware.ring.counts() for _, firmware in self._units]
        return {
            "simulated_until_ms": self.simulator.reached_ms,
            "sent": sum(radio.sent for radio in self._radios),
            "confirmed": sum(count.freed - count.lost for count in counts),
            "total": sum(count.written for count in counts),
            "out_of_coverage": sum(radio.held_back() for radio in self._radios),
            "begun_at_ms": self._began_ms,
        }

    def close(self) -> None:
        """Take every unit off the air and write everything down."""
        self._radio_stop.set()
        for radio in self._radios:
            if radio.ident is not None:
                radio.join(timeout=10.0)
        self.keep()
        self._close_units()

    def _close_units(self) -> None:
        for _, firmware in self._units:
            firmware.close()


def run_fleet(
    scenario: Path | Scenario,
    broker: BrokerAt,
    *,
    state_dir: Path,
    history_days: float = 14.0,
    stop: threading.Event,
    progress: Callable[[Progress], None] | None = None,
    speed: float | None = None,
    now_ms: Callable[[], int] = clock.now_ms,
) -> None:
    """Run a scenario until stopped.

    A first run in an empty folder simulates `history_days` up to now, then puts all units on the air:
    each sends its newest sample, then its backlog from the oldest. Afterwards time runs as it does.
    A later run in the same folder goes on where the last one ended.

    Parameters
    ----------
    scenario : Path or Scenario
        The scenario file, its fleet file beside it; or one already read.
    broker : BrokerAt
        Where it is, and what lets the units in.
    state_dir : Path
        Memory of plant and units.
    history_days : float
        Length of the past a first run makes up. [d]
    stop : threading.Event
        Ends the run.
    progress : callable or None
        Told about once a second: simulated_until_ms, sent, confirmed, total, what units out of coverage
        hold back, and where the simulation began.
    speed : float or None
        Replays the past at this many times real time with all units on the air; None replays it as fast
        as it can, before they go on the air.
    now_ms : callable
        The clock.

    Raises
    ------
    ConfigurationError
        If scenario, fleet file or state folder cannot be used.
    """
    run = FleetRun(scenario, broker, state_dir=state_dir, history_days=history_days, stop=stop, now_ms=now_ms)
    told_s = -1.0

    def tell() -> None:
        nonlocal told_s
        if progress is not None and time.monotonic() - told_s >= 1.0:
            told_s = time.monotonic()
            progress(run.progress())

    try:
        begun_ms, from_ms = now_ms(), run.simulator.reached_ms
        if speed is None:
            run.advance(now_ms(), tell)
            run.keep()
        run.start_radios()
        while not stop.is_set():
            replayed_ms = from_ms + round((now_ms() - begun_ms) * speed) if speed is not None else now_ms()
            run.advance(min(now_ms(), replayed_ms), tell)
            tell()
            stop.wait(TURN_S)
    finally:
        run.close()
