"""Runs the charge filter along a log: counted charge, rest voltages, full charges, recovery."""

import math
from dataclasses import dataclass

import numpy as np

from services.analytics.power import ekf
from services.analytics.power.capacity import Capacity
from services.analytics.power.learned import Learned
from services.analytics.power.track import SILENT_MS, Track
from services.analytics.power.wells import Wells, tilt_after
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, HOUR_MS

KNOWN_SD = 0.4
"""With a wider error nothing is known."""
UNKNOWN_SD = 1.0
"""Where nothing is known yet: the first rest voltage or full charge decides."""
FULL_SD = 0.03
"""A full charge, and the end of one that seemed to become full, may be short by this (judgement)."""
TOP_SLACK = 0.05
"""Room above a full bank, so that a reading may err to both sides of one that was just full."""
SEEMS_FULL, SEEMS_FULL_SD = 1.1, 0.03
"""A first rest voltage this far above its table's full one is a full battery with another curve."""
RATE_PER_H, RATE_LOG_SD = 0.15, 0.8
"""Charging of unknown current, as a share of capacity per hour: 0.05 to 0.4 is common (judgement)."""
NEW_STRETCH_LOG_SD = 0.35
"""How much the rate of one stretch of charging may differ from that of the last (judgement)."""
ABSORBING_SD = 0.12
"""How well the charge is known where lead-acid first reaches absorption voltage (judgement, no source)."""
TAPER_SD = 0.1
"""Scatter of what a step at absorption closes of the missing charge (judgement)."""
MOST_RATE_PER_H, MOST_RATE_SD = 0.3, 0.25
"""A dead battery, or one far down a thin cable, shows absorption voltage at once: however high the voltage,
no more than this share of the capacity is believed to come in an hour; the second is the scatter of what
would fill it from empty (judgement)."""
COUNT_SD = 0.03
"""Scatter of the counted charge over a whole discharge, beside the common error that is estimated: loads
nobody counts (judgement)."""
SUNLIT_SD = 0.2
"""The same by day under a panel, whose weak sun gives some of it without showing (judgement)."""
DRAIN_PER_WEEK = 0.05
"""How much a bank's capacity may wander in a week, as a logarithm: fade, and wear that sets in."""
SURPRISE_SDS = 3.0
"""A reading this far off means that something unseen charged or drew, or that capacity was lost."""
DRAIN_JUMP, DRAIN_REOPENED = 0.5, 0.05
"""How far such a reading sets the drain loose again, at most; and one that bends the curve too far."""
CURVE_SDS = 2.0
MOST_DRAIN = 3.0
"""A bank with a twentieth of its capacity, or twenty times it, as a logarithm: what would lie beyond is no
capacity but a bank that dies within minutes, whose readings fit no line (judgement)."""
LOWEST_RATE, HIGHEST_RATE = math.log(1e-3), math.log(10.0)
"""Charging, as a share of capacity per hour, beyond which no charger is, as logarithms (judgement)."""
SILENT_SD_PER_DAY = 0.3
"""How much the charge may move in a day that nothing was heard of (judgement)."""
NEARLY_FULL_SOC, FULLER_SOC = 0.7, 0.5
"""Counted to above the first with a voltage that no well charged bank shows: something unseen drew."""
EMPTY_SD = 0.05
"""A bank counted down to nothing is empty give or take this: what is counted beyond, nobody can draw, so it
says nothing of its capacity; less sure where its voltage says otherwise (judgement)."""
EMPTY_SOC = 0.15
"""Counted down to here with a voltage on the flat part: something unseen charged (judgement)."""
WEEK_DAYS, TAUGHT_SD = 7, 0.15


@dataclass(frozen=True)
class Followed:
    """The filter's way along a log."""

    estimate: ekf.Estimate
    t_ms: IntArray
    soc: FloatArray
    soc_sd: FloatArray
    learned: tuple[Learned, ...]


class Filter:
    """The filter's moving parts."""

    def __init__(
        self, track: Track, capacity: Capacity, *, current_sd: float, wells: Wells, learned: Learned | None
    ) -> None:
        """Start from what earlier days taught, else from nothing."""
        self._track, self._capacity, self._wells = track, capacity, wells
        self._log_ah = math.log(capacity.ah)
        prior = math.hypot(current_sd, capacity.share_sd)
        self._learned: list[Learned] = []
        self._row = ekf.CHARGE_ROW.copy()
        self._bank = track.bank
        self._seen = 0.0
        """Charge that the newest voltage still leaves it, one standard deviation down."""
        if learned is None:
            self.estimate = ekf.fresh(
                0.5,
                UNKNOWN_SD,
                drain_sd=prior,
                log_rate=math.log(RATE_PER_H),
                log_rate_sd=RATE_LOG_SD,
                curve_sd=track.curve_sd,
            )
            self._tilt, self._since_top, self._charging = 0.0, 0.0, False
            self._weekly: tuple[tuple[int, float], ...] = ()
            self._bounded = True
            return
        self.estimate = learned.estimate(self._log_ah)
        self._tilt, self._charging, self._weekly = learned.tilt, learned.charging, learned.weekly
        self._bounded = learned.since_top is not None
        self._since_top = 0.0 if learned.since_top is None else learned.since_top
        unseen_ms = int(track.t_ms[0]) - learned.day_ms
        if unseen_ms > SILENT_MS:
            self._silence(unseen_ms / HOUR_MS)

    def follow(self) -> Followed:
        """Run along the track."""
        track = self._track
        soc, sd = np.empty(track.t_ms.size), np.empty(track.t_ms.size)
        rows = zip(
            track.t_ms.tolist(), track.hours.tolist(), track.used.tolist(), track.charging.tolist(),
            track.absorbing_h.tolist(), track.silent_h.tolist(), track.starts_day.tolist(),
            track.full.tolist(), track.absorbs.tolist(), track.reading.tolist(), track.reading_sd.tolist(),
            track.flat.tolist(), track.sunlit.tolist(), strict=True,
        )  # fmt: skip
        for k, (
            t_ms, hours, used, charges, absorbing_h, silent_h, day, full, absorbs, z, z_sd, flat, sunlit,
        ) in enumerate(rows):  # fmt: skip
            if hours > 0.0:
                if charges:
                    self._charge(hours, absorbing_h)
                else:
                    self._draw(hours, used, sunlit=sunlit)
                if silent_h > 0.0:
                    self._silence(silent_h)
            if day:
                self._freeze(t_ms)
            if full:
                self._fill()
            elif absorbs:
                self._read_at_absorption()
            if z == z:  # noqa: PLR0124 - not NaN, the quickest way
                self._read(z, sd=z_sd, flat=flat)
            self._keep_possible()
            soc[k], sd[k] = self.estimate.mean[0], self.estimate.sd(0)
        return Followed(self.estimate, track.t_ms, np.clip(soc, 0.0, 1.0), sd, tuple(self._learned))

    def _draw(self, hours: float, used: float, *, sunlit: bool) -> None:
        """Take out what was counted, times the drain that is being learned; weak sun may give some of it."""
        drain = math.exp(float(self.estimate.mean[1]))
        if self._charging:
            short = FULL_SD**2 - float(self.estimate.cov[ekf.CHARGE, ekf.CHARGE])
            self.estimate = ekf.with_variance(self.estimate, ekf.CHARGE, max(0.0, short))
        self._charging = False
        self._since_top += used
        self._tilt = tilt_after(
            self._tilt, current_share_per_h=used * drain / hours, hours=hours, wells=self._wells
        )
        lost = used * drain + hours * self._track.leak_per_h
        self._row[:3] = 1.0, -used * drain, 0.0
        self._predict(-lost, (SUNLIT_SD if sunlit else COUNT_SD) ** 2 * max(0.0, used), hours)
        self._keep_below_top()
        if self.estimate.mean[ekf.CHARGE] < 0.0:
            self._empty()

    def _empty(self) -> None:
        """Hold a charge counted below nothing: empty, less surely so where its voltage says otherwise."""
        sd = max(EMPTY_SD, self._seen)
        self.estimate, self._bounded = ekf.known_as(self.estimate, ekf.CHARGE, 0.0, sd**2), False

    def _charge(self, hours: float, absorbing_h: float) -> None:
        """Put in at the rate that is being learned; at absorption voltage the ampere-hour law holds."""
        if not self._charging:
            wider = min(RATE_LOG_SD**2 - float(self.estimate.cov[ekf.RATE, ekf.RATE]), NEW_STRETCH_LOG_SD**2)
            self.estimate = ekf.with_variance(self.estimate, ekf.RATE, max(0.0, wider))
        self._charging, self._since_top, self._bounded = True, 0.0, True
        self._tilt *= math.exp(-self._wells.rate_per_h * hours)
        if self.estimate.sd(ekf.CHARGE) > KNOWN_SD:
            return  # A charger alone does not tell how full: the first rest or a full charge does.
        taper_h = self._track.taper_h
        missing = max(0.0, 1.0 - float(self.estimate.mean[ekf.CHARGE]))
        rate = min(math.exp(float(self.estimate.mean[ekf.RATE])), MOST_RATE_PER_H)
        bulk_h = min(hours - absorbing_h, max(0.0, missing - rate * taper_h) / rate)
        kept = math.exp(-(hours - bulk_h) / taper_h)
        left = (missing - rate * bulk_h) * kept
        gained = min(missing - left, MOST_RATE_PER_H * hours)
        if gained < missing - left:
            self._row[:3] = 1.0, 0.0, 0.0
            self._predict(gained, MOST_RATE_SD**2 * gained, hours)
        else:
            self._row[:3] = kept, 0.0, rate * bulk_h * kept
            self._predict(gained, (TAPER_SD * missing * (1.0 - kept)) ** 2, hours)
        self._keep_below_top()

    def _predict(self, gained: float, charge_variance: float, hours: float) -> None:
        wander = DRAIN_PER_WEEK**2 * hours / (24.0 * WEEK_DAYS)
        self.estimate = ekf.stepped(
            self.estimate, gained, self._row, charge_variance=charge_variance, drain_variance=wander
        )

    def _top(self) -> float:
        """Return the most it can hold: a full bank less what was counted out since charging ended."""
        return 1.0 + TOP_SLACK - self._since_top * math.exp(float(self.estimate.mean[ekf.DRAIN]))

    def _keep_below_top(self) -> None:
        """Hold the charge to the most it can be."""
        if self._bounded and self.estimate.mean[ekf.CHARGE] > (top := self._top()):
            self.estimate = ekf.held_to(self.estimate, ekf.CHARGE_ROW, top)

    def _silence(self, hours: float) -> None:
        self.estimate = ekf.with_variance(self.estimate, 0, SILENT_SD_PER_DAY**2 * hours / 24.0)
        self._bounded = False

    def _fill(self) -> None:
        """Take in a charge that held as long as a full one does: the surer, the less the count misses."""
        row = ekf.CHARGE_ROW
        unknown = self.estimate.sd(ekf.CHARGE) > KNOWN_SD
        missing = 0.0 if unknown else max(0.0, 1.0 - float(self.estimate.mean[ekf.CHARGE]))
        variance = max(FULL_SD, self._track.not_returned * missing) ** 2
        loose = self._opened(row, 1.0, variance)
        self.estimate = ekf.corrected(loose, row, 1.0, variance, teaches=ekf.BY_CHARGING)
        self._since_top, self._bounded = 0.0, True

    def _read_at_absorption(self) -> None:
        """Take in that charging reached absorption: what is missing is then the rate times the taper.

        Of itself it proves nothing, since a dead battery gets there at once.
        """
        if self.estimate.sd(ekf.CHARGE) > KNOWN_SD:
            return
        mean = self.estimate.mean
        missing = math.exp(float(mean[ekf.RATE])) * self._track.taper_h
        row = ekf.CHARGE_ROW.copy()
        row[ekf.RATE] = missing
        value = 1.0 - missing + missing * float(mean[ekf.RATE])
        self.estimate = ekf.corrected(self.estimate, row, value, ABSORBING_SD**2, teaches=ekf.BY_CHARGING)

    def _read(self, soc: float, *, sd: float, flat: bool) -> None:
        """Take in a voltage read as a charge; on the flat part only where nothing at all is known."""
        row = ekf.reading_row(soc)
        if flat:
            mean, known = float(self.estimate.mean[0]), self.estimate.sd(0)
            emptied = soc < FULLER_SOC and mean - 2.0 * known > NEARLY_FULL_SOC
            if known < KNOWN_SD and mean + 2.0 * known >= EMPTY_SOC and not emptied:
                return
            row = ekf.CHARGE_ROW
            self.estimate = ekf.with_variance(self.estimate, 0, UNKNOWN_SD**2)
            self.estimate = ekf.corrected(self.estimate, row, soc, sd**2)
            self._bounded = False
            return
        value, unknown = soc - self._tilt, self.estimate.sd(ekf.CHARGE) > KNOWN_SD
        self._seen = value - math.hypot(sd, self._track.curve_sd)
        self.estimate = ekf.corrected(self._opened(row, value, sd**2), row, value, sd**2)
        self._keep_curve_likely()
        if unknown and soc > SEEMS_FULL:
            full = ekf.CHARGE_ROW
            self.estimate = ekf.corrected(self.estimate, full, 1.0, SEEMS_FULL_SD**2, teaches=ekf.NOT_DRAIN)
        elif self._bounded and unknown:
            self.estimate = ekf.cut_off(self.estimate, ekf.CHARGE_ROW, self._top(), teaches=ekf.NOT_DRAIN)
        self._keep_below_top()

    def _keep_possible(self) -> None:
        """Let no reading teach a capacity no battery has, or a rate no charger gives."""
        drain, rate = float(self.estimate.mean[ekf.DRAIN]), float(self.estimate.mean[ekf.RATE])
        if abs(drain) > MOST_DRAIN or not LOWEST_RATE <= rate <= HIGHEST_RATE:
            mean = self.estimate.mean.copy()
            mean[ekf.DRAIN] = min(max(drain, -MOST_DRAIN), MOST_DRAIN)
            mean[ekf.RATE] = min(max(rate, LOWEST_RATE), HIGHEST_RATE)
            self.estimate = ekf.Estimate(mean, self.estimate.cov)

    def _keep_curve_likely(self) -> None:
        """Let no table read further off than any published one does: what goes beyond is capacity.

        Lost where it reads lower; where it reads higher, the bank was counted down too far.
        """
        most = CURVE_SDS * self._track.curve_sd
        errors = self.estimate.mean[ekf.CURVE :].tolist()
        if min(errors) >= -most and max(errors) <= most:
            return
        self.estimate = ekf.with_variance(self.estimate, ekf.DRAIN, DRAIN_REOPENED**2)
        for knot, error in enumerate(errors):
            if abs(error) > most:
                row = np.zeros(ekf.SIZE)
                row[ekf.CURVE + knot] = math.copysign(1.0, error)
                self.estimate = ekf.held_to(self.estimate, row, most)

    def _opened(self, row: FloatArray, value: float, variance: float) -> ekf.Estimate:
        """Return the estimate, its charge set loose where a reading is far outside what counting allows."""
        off = ekf.surprise_sds(self.estimate, row, value, variance)
        if abs(off) <= SURPRISE_SDS:
            return self.estimate
        apart = value - float(row @ self.estimate.mean)
        loose = ekf.with_variance(self.estimate, ekf.CHARGE, apart**2)
        if off > 0.0:
            self._bounded = False
        elif self._since_top > 0.0:
            fallen = apart / max(self._since_top * math.exp(float(self.estimate.mean[ekf.DRAIN])), 0.1)
            loose = ekf.with_variance(loose, ekf.DRAIN, min(abs(fallen), DRAIN_JUMP) ** 2)
        return loose

    def _freeze(self, day_ms: int) -> None:
        """Keep the state at the start of a day."""
        mean = self.estimate.mean.copy()
        mean[1] = self._log_ah - mean[1]
        ah = math.exp(float(mean[1]))
        if day_ms // DAY_MS % WEEK_DAYS == 0 and self.estimate.sd(1) <= TAUGHT_SD:
            self._weekly = (*[row for row in self._weekly if row[0] < day_ms], (day_ms, ah))[-60:]
        self._learned.append(
            Learned(
                day_ms=day_ms,
                bank=self._bank,
                mean=tuple(mean.tolist()),
                cov=tuple(tuple(row) for row in self.estimate.cov.tolist()),
                tilt=self._tilt,
                since_top=self._since_top if self._bounded else None,
                charging=self._charging,
                weekly=self._weekly,
            )
        )
