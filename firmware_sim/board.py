"""One unit's electronics in the simulated world: what befalls it there is turned into what firmware sees."""

from collections.abc import Mapping

import numpy as np

from firmware_sim.firmware.flash import FileFlash
from firmware_sim.firmware.unit import Firmware
from firmware_sim.firmware.way import Air, Away
from firmware_sim.history import Block
from services.telemetry import FloatArray, IntArray
from services.timebase import SECOND_MS


class Board:
    """Firmware on its flash, the place it stands at, and the faults it has had so far."""

    def __init__(
        self, index: int, firmware: Firmware, flash: FileFlash, *, away: tuple[Away, ...], fresh: bool
    ) -> None:
        """Take what was built; a `fresh` one has had no fault yet, another has had those of before."""
        self.index = index
        self.firmware = firmware
        self.away = away
        self._flash = flash
        self._reads = index
        self._had: dict[str, int] = {} if not fresh else {"clock_resets": 0, "flash_corruptions": 0}

    def air(self, block: Block) -> Air:
        """Return how bad the way to the broker is."""
        return Air(
            out=self._fault(block, "radio_out") > 0.0,
            duplicate_share=self._fault(block, "duplicate_share"),
            reorder_share=self._fault(block, "reorder_share"),
            clock_off_ms=self._clock_off_ms(block),
        )

    def live(self, block: Block, readings: Mapping[str, FloatArray], reads: int) -> None:
        """Let a block of time pass: mishaps first, then measuring and noticing."""
        self._mishaps(block, reads)
        self.firmware.take(
            block.t_ms,
            {name: readings[name][:, reads] for name in self.firmware.build.channels},
            network_ms=self._network_ms(block),
            alive=block.true["alive"][:, reads] if "alive" in block.true else None,
        )
        failed = block.true.get("failed_starts")
        self.firmware.notice(
            block.t_ms,
            locked=block.true["locked"][:, reads],
            failed_starts=None if failed is None else failed[:, reads],
        )

    def _fault(self, block: Block, name: str) -> float:
        return float(block.faults[name][self.index]) if name in block.faults else 0.0

    def _mishaps(self, block: Block, reads: int) -> None:
        at_ms = int(block.t_ms[0])
        if reads != self._reads:
            self._reads = reads
            self.firmware.reboot(at_ms, "power")
        if self._struck(block, "clock_resets"):
            self.firmware.reboot(at_ms, "clock lost", clock_lost=True)
        if self._struck(block, "flash_corruptions"):
            counts = self.firmware.ring.counts()
            page = self.firmware.ring.page_of((counts.freed + counts.written) // 2)
            self._flash.spoil(page, seed=f"{self.firmware.build.unit}/{at_ms}")
            self.firmware.check_memory(at_ms)

    def _struck(self, block: Block, name: str) -> bool:
        """Tell whether a fault that is counted has come once more."""
        now = round(self._fault(block, name))
        before = self._had.get(name, now)
        self._had[name] = now
        return now > before

    def _clock_off_ms(self, block: Block) -> int:
        return round(self._fault(block, "clock_step_s") * SECOND_MS)

    def _network_ms(self, block: Block) -> IntArray:
        """Return the time of day the network tells at each step, -1 where it does not reach."""
        told: IntArray = block.t_ms + self._clock_off_ms(block)
        if self._fault(block, "radio_out") > 0.0:
            told = np.full_like(told, -1)
        for away in self.away:
            told[(block.t_ms >= away.start_ms) & (block.t_ms < away.end_ms)] = -1
        return told
