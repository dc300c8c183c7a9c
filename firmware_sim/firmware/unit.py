"""What a unit is, keeps over losses of power, and does with what it measures."""

import random
import threading
from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from firmware_sim.firmware.build import (
    EVENT_MARKS,
    EVENTS,
    RING_MARKS,
    SAMPLES_FROM_PAGE,
    SETTINGS_PAGES,
    Build,
)
from firmware_sim.firmware.eventlog import EventLog
from firmware_sim.firmware.flash import Flash
from firmware_sim.firmware.noticing import Noticer
from firmware_sim.firmware.ring import Ring, milli_or_missing
from firmware_sim.firmware.settings import Settings, SettingsStore
from firmware_sim.firmware.timekeeping import HOLDOVER_AFTER_MS, STEP_OVER_MS, Timekeeper
from services.errors import ConfigurationError
from services.telemetry import FloatArray, IntArray
from services.telemetry.messages import Event, Status

FIRMWARE = "sim-2"
REMEMBERED_CORRELATIONS = 32
"""Commands come at least once; those in memory are not obeyed twice."""

HOUR_S = 3600
CHECK_EVERY_MS = 86_400_000
"""How often a unit looks for memory gone bad, besides at every boot. [ms]"""

TIME_AFTER_MS = 120_000
"""How long after losing its clock a unit needs to learn the time from the network. [ms] Judgement."""

JUMP = (1 << 16, 1 << 24)
"""How far the boot counter leaps when nobody knows any more where it stood: no number may come twice."""

UNSET_BOOTS = 16
"""So many boots without the time of day are remembered, to be dated when it is learnt."""

HIGHEST_BID = 1 << 31
"""Beyond it nobody is believed. [1]"""

BoolArray = npt.NDArray[np.bool_]


class Firmware:
    """One unit's brain: samples and events to flash, and the answers to who asks."""

    def __init__(self, build: Build, flash: Flash, *, boot_ms: int) -> None:
        """Boot: everything else about the past is on the flash."""
        self.build = build
        self._flash = flash
        self._lock = threading.RLock()
        self._store = SettingsStore(flash, pages=SETTINGS_PAGES)
        kept = self._store.settings
        if kept is not None and kept.channels != build.channels:
            raise ConfigurationError(
                "kept with other channels; start with an empty folder", setting=kept.unit
            )
        samples = (SAMPLES_FROM_PAGE, flash.pages - SAMPLES_FROM_PAGE)
        self.ring = Ring(flash, channels=build.channels, mark_pages=RING_MARKS, pages=samples)
        self.events = EventLog(flash, mark_pages=EVENT_MARKS, pages=EVENTS)
        self._settings = kept or Settings(build.unit, build.channels, build.interval_s)
        self._newest_ms = self._newest_kept_ms()
        self._sq, self._boot_ms, self._checked_ms = 0, boot_ms, boot_ms
        off_ms = self._settings.clock_off_ms if build.backed_clock else None
        self.clock = Timekeeper(boot_at_ms=None if off_ms is None else boot_ms + off_ms)
        self._told_from_ms = boot_ms
        self._powered = True
        self._noticer = Noticer(build.channels, self._tell)
        self.last: dict[str, float] = {}
        """The newest sample."""
        self._first_boot(boot_ms)

    def _newest_kept_ms(self) -> int:
        written = self.ring.counts().written
        last = self.ring.read(written - 1, written)
        if not last.size or int(last["bid"][0]) != self._settings.bid:
            return -1
        return self._settings.boot_ms + int(last["up_ms"][0])

    def _first_boot(self, boot_ms: int) -> None:
        """Boot with what was found; when boot counter or identity cannot be trusted, leap ahead."""
        stranger = self._settings.unit != self.build.unit
        bid = max(self._settings.bid, self.ring.newest_bid(), 0)
        if stranger or self._store.spoilt:
            # Seeded by what is at hand: two boards that lost their memory must not leap alike.
            bid += random.Random(f"{self.build.unit}/{boot_ms}").randrange(*JUMP)  # noqa: S311 - no secret
            self._settings = Settings(self.build.unit, self.build.channels, self.build.interval_s)
        elif self._store.doubtful:
            bid += 1  # the page that is not whole may have been the newer one
        self._settings = replace(self._settings, bid=bid)
        if stranger:
            self.ring.give_up()
        self.reboot(boot_ms, "identity changed" if stranger else "power")
        if stranger:
            self._tell("identity_changed", boot_ms, detail="samples of the former identity are given up")
        if self._store.spoilt:
            self._tell("memory_lost", boot_ms, detail="settings were not readable; defaults are back")
        self.check_memory(boot_ms)

    def reboot(self, at_ms: int, reason: str, *, clock_lost: bool = False) -> None:
        """Begin a new boot: its number is on flash before anything is measured under it."""
        with self._lock:
            keeps = self.build.backed_clock and not clock_lost
            began_ms = self.clock.at(at_ms - self._boot_ms) if keeps and self.clock.is_set else None
            bid, unset = self._settings.bid + 1, self._settings.unset_boots if keeps else ()
            if self.build.backed_clock and began_ms is None:
                unset = (*unset, (bid, at_ms))[-UNSET_BOOTS:]
            off_ms = None if began_ms is None else began_ms - at_ms
            self._change(bid=bid, boot_ms=at_ms, clock_off_ms=off_ms, unset_boots=unset)
            self._sq, self._boot_ms = 0, at_ms
            self.clock = Timekeeper(boot_at_ms=began_ms)
            self._told_from_ms = at_ms + (TIME_AFTER_MS if clock_lost else 0)
            self._noticer.booted()
            self._tell("boot", at_ms, detail=reason)

    @property
    def met(self) -> bool:
        """Whether it is certain that the service knows no boots of this name that we do not."""
        with self._lock:
            return self._settings.met

    def meet(self, newest_bid: int, at_ms: int) -> None:
        """Take note of the newest boot the service knows, -1 for none.

        A new memory under a name that was in use before moves its boots beyond those, with their samples.
        Later on a boot we do not know means that the name is given twice, or memory went back: leap.
        """
        with self._lock:
            if newest_bid > HIGHEST_BID:
                return
            if not self._settings.met:
                if newest_bid >= 0:
                    self.ring.shift_boots(newest_bid)
                bid = self._settings.bid
                self._change(
                    met=True,
                    bid=bid + newest_bid if bid <= newest_bid else bid,
                    unset_boots=tuple(
                        (boot + max(newest_bid, 0) if boot <= newest_bid else boot, began_ms)
                        for boot, began_ms in self._settings.unset_boots
                    ),
                )
            elif newest_bid > self._settings.bid:
                self._change(bid=newest_bid)
                self.reboot(at_ms, "the service knows a later boot")

    def _change(self, **values: object) -> None:
        self._settings = replace(self._settings, **values)  # type: ignore[arg-type] # fields by name
        self._store.write(self._settings)

    @property
    def bid(self) -> int:
        """Which boot this is."""
        with self._lock:
            return self._settings.bid

    @property
    def interval_s(self) -> int:
        """Seconds between samples, as last set."""
        with self._lock:
            return self._settings.interval_s

    @property
    def powered(self) -> bool:
        """Whether the electronics have enough voltage."""
        with self._lock:
            return self._powered

    def set_interval(self, interval_s: int) -> None:
        """Measure at another interval from now on."""
        with self._lock:
            self._change(interval_s=interval_s)

    def now(self, true_ms: int) -> tuple[int | None, float]:
        """Return time of day, None while it is not known, and uptime [ms, s]."""
        with self._lock:
            up_ms = max(true_ms - self._boot_ms, 0)
            return (self.clock.at(up_ms) if self.clock.is_set else None), up_ms / 1000.0

    def boot_began(self, bid: int) -> int | None:
        """Return the time of day at which a boot began, None when it is not known [ms].

        An earlier boot can be dated where the same clock counted on between the two.
        """
        with self._lock:
            began_ms = self.clock.boot_at_ms
            if bid == self._settings.bid or began_ms is None:
                return began_ms if bid == self._settings.bid else None
            counted_ms = dict(self._settings.unset_boots).get(bid)
            return None if counted_ms is None else began_ms - (self._boot_ms - counted_ms)

    def learn(self, time_ms: int, true_ms: int) -> None:
        """Take the time of day from the network that has just let us in."""
        with self._lock:
            self._hear(time_ms, true_ms)

    def take(
        self,
        t_ms: IntArray,
        values: Mapping[str, FloatArray],
        *,
        network_ms: IntArray | None = None,
        alive: BoolArray | None = None,
    ) -> int:
        """Keep the samples that are due among these moments; returns how many.

        Moments up to the newest kept one are passed over: after a restart the physics may be a little
        behind what was already measured.

        Parameters
        ----------
        t_ms : (k,) int64
            The moments, by a clock that is always right; the unit itself only counts uptime by it. [ms]
        values : mapping of (k,) float64
            Readings by channel; NaN where a sensor does not answer.
        network_ms : (k,) int64 or None
            Time of day as the network tells it, -1 where there is none. [ms]
        alive : (k,) bool or None
            Whether the electronics have enough voltage.
        """
        kept = 0
        with self._lock:
            for start, end, on in _stretches(alive, t_ms.size):
                was_on, self._powered = self._powered, on
                if on and not was_on:
                    self.reboot(int(t_ms[start]), "supply came back")
                if on:
                    rows = slice(start, end)
                    told = np.full(end - start, -1) if network_ms is None else network_ms[rows].copy()
                    some = {name: values[name][rows] for name in self.build.channels}
                    kept += self._take(t_ms[rows], some, told)
            if t_ms.size and self._powered and t_ms[-1] - self._checked_ms >= CHECK_EVERY_MS:
                self.check_memory(int(t_ms[-1]))
        return kept

    def _take(self, t_ms: IntArray, values: Mapping[str, FloatArray], told_ms: IntArray) -> int:
        """Keep samples, and set or step the clock at the row where the network says so."""
        told_ms[t_ms < self._told_from_ms] = -1
        at = kept = 0
        while at < t_ms.size:
            up_ms = np.maximum(t_ms[at:] - self._boot_ms, 0)
            k = self._first_correction(up_ms, told_ms[at:])
            upto = t_ms.size if k is None else at + k
            kept += self._keep(
                t_ms[at:upto], {name: column[at:upto] for name, column in values.items()}, told_ms[at:upto]
            )
            if k is not None:
                self._hear(int(told_ms[upto]), int(t_ms[upto]))
            at = upto
        return kept

    def _first_correction(self, up_ms: IntArray, told_ms: IntArray) -> int | None:
        began = self.clock.boot_at_ms
        wrong = told_ms >= 0
        if began is not None:
            wrong &= np.abs(told_ms - began - up_ms) > STEP_OVER_MS
        rows = np.flatnonzero(wrong)
        return int(rows[0]) if rows.size else None

    def _hear(self, time_ms: int, true_ms: int) -> None:
        step_ms = self.clock.hear(time_ms, max(true_ms - self._boot_ms, 0))
        began_ms = self.clock.boot_at_ms
        off_ms = None if began_ms is None else began_ms - self._boot_ms
        if self.build.backed_clock and off_ms != self._settings.clock_off_ms:
            self._change(clock_off_ms=off_ms)
        if step_ms is not None:
            self._tell("clock_step", true_ms, detail=f"by {step_ms / 1000:+.0f} s")

    def _keep(self, t_ms: IntArray, values: Mapping[str, FloatArray], told_ms: IntArray) -> int:
        """Keep the due ones of moments between which the clock does not jump."""
        up_ms = np.maximum(t_ms - self._boot_ms, 0)
        told_up, began = self._told_up_ms(up_ms, told_ms), self.clock.boot_at_ms
        fresh = (told_up >= 0) & (up_ms - told_up <= HOLDOVER_AFTER_MS)
        due = (t_ms // 1000 - self.build.phase_s) % self._settings.interval_s == 0
        rows = np.flatnonzero(due & (t_ms > self._newest_ms))
        if not rows.size:
            return 0
        columns = np.stack([values[name][rows] for name in self.build.channels], axis=1)
        self.ring.append(
            bid=self._settings.bid,
            sq=self._sq,
            tq=np.where(began is None, 0, np.where(fresh, 2, 1))[rows],
            t_ms=up_ms[rows] if began is None else up_ms[rows] + began,
            up_ms=up_ms[rows],
            milli=milli_or_missing(columns),
        )
        self._sq += rows.size
        self._newest_ms = int(t_ms[rows[-1]])
        self.last = dict(zip(self.build.channels, columns[-1].tolist(), strict=True))
        self._noticer.sensors(t_ms[rows], columns)
        return int(rows.size)

    def _told_up_ms(self, up_ms: IntArray, told_ms: IntArray) -> IntArray:
        """Return at each row the uptime the network last told the time at, -1 for never."""
        before = -1 if self.clock.told_up_ms is None else self.clock.told_up_ms
        told: IntArray = np.maximum.accumulate(np.maximum(np.where(told_ms >= 0, up_ms, -1), before))
        if told.size and told[-1] >= 0:
            self.clock.told_up_ms = int(told[-1])
        return told

    def notice(self, t_ms: IntArray, *, locked: BoolArray, failed_starts: IntArray | None = None) -> None:
        """Make events of what the control law did: cut-outs, their ends, starts that failed."""
        with self._lock:
            self._noticer.supply(t_ms, locked)
            if failed_starts is not None:
                self._noticer.starts(t_ms, failed_starts)

    def check_memory(self, at_ms: int) -> None:
        """Look for samples that went bad before they were confirmed, and tell of them."""
        with self._lock:
            self._checked_ms = at_ms
            for gone in self.ring.check():
                detail = f"samples {gone.from_sq} to {gone.to_sq} of boot {gone.bid} are gone"
                self._tell("memory_bad", at_ms, detail=detail)

    def _tell(self, kind: str, at_ms: int, *, channel: str | None = None, detail: str | None = None) -> None:
        if not self._powered:
            return
        time_ms, up_s = self.now(at_ms)
        when = None if time_ms is None else time_ms / 1000.0
        self.events.add(
            [Event(kind=kind, bid=self._settings.bid, t=when, up=up_s, channel=channel, detail=detail)]
        )

    def status(self, state: str | None = None) -> Status:
        """Return what the unit says of itself: one that spares its link sleeps between contacts."""
        sparing = self.build.pack_s > 0
        return Status.model_validate(
            {
                "s": state or ("sleep" if sparing else "on"),
                "bid": self.bid,
                "fw": FIRMWARE,
                "cap": self.build.channels,
                "next": self.build.pack_s if sparing else self.interval_s,
            }
        )

    def is_repeat(self, correlation: bytes) -> bool:
        """Tell whether a command was seen before, and remember it."""
        with self._lock:
            key = correlation.hex()
            if key in self._settings.correlations:
                return True
            self._change(correlations=(*self._settings.correlations, key)[-REMEMBERED_CORRELATIONS:])
            return False

    def close(self) -> None:
        """Release the storage."""
        self._flash.close()


def _stretches(alive: BoolArray | None, size: int) -> list[tuple[int, int, bool]]:
    """Return runs ``[start, end)`` of rows with power and without."""
    if alive is None or not size:
        return [(0, size, True)] if size else []
    edges = [0, *(np.flatnonzero(np.diff(alive)) + 1).tolist(), size]
    return [(a, b, bool(alive[a])) for a, b in pairwise(edges)]
