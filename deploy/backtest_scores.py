"""Run-out forecasts scored: pinball loss, coverage, rank of the truth, error by horizon, two baselines."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from deploy.backtest_runout import FOOD_LIMIT_C, MadeUp, Played
from firmware_sim.branches import HORIZON_H
from services.analytics.power.assess import power
from services.analytics.power.charging import charging_at, stretches_of
from services.analytics.power.curves import curve_of
from services.analytics.power.frame import Frame, frame_of
from services.analytics.power.learned import Learned
from services.analytics.power.shared import drawn_by_hour, joined
from services.domain import Runout, UnitSettings
from services.telemetry import FloatArray, Series
from services.timebase import DAY_MS, HOUR_MS, utc_day_start_ms

LEVELS = np.array([0.1, 0.5, 0.9])
LOOK_BACK_MS = 7 * DAY_MS
"""What the service looks at, from the start of a UTC day."""

HORIZONS_H = (24.0, 48.0, 96.0, HORIZON_H)
"""Below a day, errors are told before cut-outs that came; see `backtest_lastday`."""
PIT_BINS = 10
LINE_MS = 12 * HOUR_MS


@dataclass(frozen=True)
class Asked:
    """One forecast beside what came true and what the baselines said."""

    unit: str
    bank: str
    shared: bool
    """More than one cabinet hangs on it."""
    t_ms: int
    true_h: float
    """The horizon where the unit ran on beyond it."""
    said_h: FloatArray
    """P10, P50, P90, capped at the horizon; NaN where the service does not say."""
    why_not: str
    chance_beyond: float
    """Told chance of lasting past the horizon."""
    counted_h: float
    line_h: float
    panels: bool
    """The bank is charged by the sun, else by drives."""
    true_warm_h: float
    """Until the food's core passes its limit; NaN beyond the horizon."""
    said_warm_h: FloatArray
    """Food at risk from P10, P50, P90; NaN where the service does not say."""

    @property
    def beyond(self) -> bool:
        """Whether the truth lies past the horizon."""
        return self.true_h >= HORIZON_H


def pinball(said: FloatArray, true: FloatArray, levels: FloatArray = LEVELS) -> FloatArray:
    """Return the pinball loss of quantile forecasts.

    Parameters
    ----------
    said : (n, k) float64
        Quantiles.
    true : (n,) float64
        What came.
    levels : (k,) float64
        Their levels.

    Returns
    -------
    (n, k) float64
        ``max(a (y - f), (a - 1)(y - f))``.

    References
    ----------
    .. [1] Gneiting and Raftery, J. American Statistical Association 102 (2007) 359-378, from memory.
    """
    off = np.asarray(true)[:, None] - said
    return np.asarray(np.maximum(levels * off, (levels - 1.0) * off), dtype=np.float64)


def interval_score(low: FloatArray, high: FloatArray, true: FloatArray, *, alpha: float) -> FloatArray:
    """Return the interval score: width plus 2/alpha times what lies outside (same reference)."""
    outside = np.maximum(low - true, 0.0) + np.maximum(true - high, 0.0)
    return np.asarray(high - low + 2.0 / alpha * outside, dtype=np.float64)


def rank_of_truth(said: FloatArray, true: FloatArray) -> FloatArray:
    """Return where the truth lies in a forecast of three quantiles: a logarithm normal on either side of P50.

    Uniform on 0 … 1 where the forecast is calibrated.
    """
    low, mid, high = np.maximum(said, 0.05).T
    off = np.log(np.maximum(true, 0.05) / mid)
    z10 = 1.2815515655446004
    width = np.where(off < 0, np.log(mid / low), np.log(high / mid)) / z10
    z = off / np.maximum(width, 1e-3)
    # the normal distribution through its logistic stand-in, within 0.01 everywhere
    return np.asarray(1.0 / (1.0 + np.exp(-1.5976 * z - 0.070565992 * z**3)), dtype=np.float64)


class Asking:
    """One unit asked again and again; each answer starts from what earlier ones taught, as the monitor's."""

    def __init__(self, made: MadeUp, unit: str, every: Mapping[str, Series]) -> None:
        self._seed = made.scenario.seed
        self._settings = made.fleet.settings_of(unit)
        self._series = every[unit]
        bank = self._settings.unit.supply.bank
        self._beside = [
            (every[one.id], made.fleet.settings_of(one.id))
            for one in made.fleet.units
            if one.supply.bank == bank and one.id != unit
        ]
        self._learned: Learned | None = None

    def at(self, t_ms: int) -> tuple[Runout, Series]:
        """Return the run-out said at an instant and the samples it was said from."""
        begin_ms = utc_day_start_ms(t_ms) - LOOK_BACK_MS
        seen = self._series.between(begin_ms, t_ms + 1)
        drew = [drawn_by_hour(other.between(begin_ms, t_ms + 1), its) for other, its in self._beside]
        result = power(
            seen,
            self._settings,
            as_of_ms=t_ms,
            food_limit_c=FOOD_LIMIT_C,
            learned=self._learned,
            others=joined(drew),
            until_ms=(t_ms + round(HORIZON_H * HOUR_MS),),
        )
        self._learned = result.learned[-1] if result.learned else self._learned
        return result.runout, seen

    def beside(self, runout: Runout, seen: Series, *, t_ms: int, true_h: float, true_warm_h: float) -> Asked:
        """Return an answer beside what came true and what the baselines say."""
        frame = frame_of(seen, self._settings, None)
        return Asked(
            unit=f"{self._seed} {self._settings.unit.id}",
            bank=f"{self._seed} {self._settings.unit.supply.bank}",
            shared=bool(self._beside),
            t_ms=t_ms,
            true_h=HORIZON_H if np.isnan(true_h) else true_h,
            said_h=_said(runout),
            why_not=runout.reason,
            chance_beyond=next((c.chance for c in runout.lasts_until if c.name == "asked"), float("nan")),
            counted_h=counted_h(frame, self._settings),
            line_h=line_h(frame, self._settings),
            panels=self._settings.unit.supply.panel_wp > 0.0,
            true_warm_h=true_warm_h,
            said_warm_h=_said_warm(runout, t_ms),
        )


def asked_of(made: MadeUp, played: Played) -> Iterator[Asked]:
    """Ask the service at every instant at which the unit runs from its battery alone."""
    for i, unit in enumerate(made.scenario.unit_ids):
        asking = Asking(made, unit, played.series)
        for k, t_ms in enumerate(played.at_ms):
            runout, seen = asking.at(t_ms)
            if not (played.stopped[k, i] or played.charged[k, i]):
                yield asking.beside(
                    runout,
                    seen,
                    t_ms=t_ms,
                    true_h=float(played.stops_h[k, i]),
                    true_warm_h=float(played.warm_h[k, i]),
                )


def _said_warm(runout: Runout, t_ms: int) -> FloatArray:
    risk = runout.food_at_risk
    if risk is None:
        return np.full(3, np.nan)
    told = (risk.from_p10, risk.from_p50, risk.from_p90)
    return np.array([np.nan if one is None else (one - t_ms) / HOUR_MS for one in told])


def _said(runout: Runout) -> FloatArray:
    if runout.reason not in {"discharging", "charging", "beyond_horizon"}:
        return np.full(3, np.nan)
    hours = (runout.hours_p10, runout.hours_p50, runout.hours_p90)
    return np.array([HORIZON_H if one is None else one for one in hours])


def counted_h(frame: Frame, settings: UnitSettings) -> float:
    """Return baseline 1: label capacity less the nameplate current counted since the last charge of an hour.

    The bank is taken to have been full then, its cabinets to be alike; the draw is the mean of the last day.
    """
    bank = settings.bank
    if bank is None or not len(frame):
        return float("nan")
    parts = stretches_of(charging_at(frame, curve_of(settings)[0]))
    long = parts.charging & (frame.t_ms[parts.last] - frame.t_ms[parts.first] >= HOUR_MS)
    since = int(parts.last[long][-1]) if bool(np.any(long)) else 0
    amps = np.where(frame.on, settings.running_a, 0.0) * settings.units_on_bank + bank.other_load_a
    drawn_ah = float(np.sum(amps[since:] * frame.held_ms[since:])) / HOUR_MS
    day = frame.t_ms >= frame.t_ms[-1] - DAY_MS
    held = float(np.sum(frame.held_ms[day]))
    mean_a = float(np.sum(amps[day] * frame.held_ms[day])) / max(held, 1.0)
    return float(np.clip((bank.capacity_ah - drawn_ah) / max(mean_a, 0.01), 0.0, HORIZON_H))


def line_h(frame: Frame, settings: UnitSettings) -> float:
    """Return baseline 2: the straight line through the last 12 h of loaded voltage, down to the cut-out.

    Hours in which something charged are left out; a line that does not fall never arrives.
    """
    charging = charging_at(frame, curve_of(settings)[0])
    recent = frame.on & (frame.t_ms >= frame.t_ms[-1] - LINE_MS) & ~charging & np.isfinite(frame.volts_12)
    if int(np.sum(recent)) < 10:  # noqa: PLR2004 - no line through less
        return HORIZON_H
    hours = (frame.t_ms[recent] - frame.t_ms[-1]) / HOUR_MS
    slope, level = np.polyfit(hours, frame.volts_12[recent], 1)
    if slope >= 0:
        return HORIZON_H
    cutout_v = settings.default_cutout_v if settings.cutout_v is None else settings.cutout_v
    return float(np.clip((cutout_v / frame.volt_scale - level) / slope, 0.0, HORIZON_H))


@dataclass(frozen=True)
class Scores:
    """What a back-test found."""

    asked: int
    unsaid: int
    beyond: int
    brier: float
    """Of "it lasts past the horizon": those runs are right-censored and scored by this alone."""
    pinball_h: float
    counted_h: float
    line_h: float
    coverage: float
    coverage_se: float
    """As if every run stood alone."""
    coverage_bank_se: float
    """Runs of one bank share its capacity: from the scatter between banks."""
    below_p10: float
    above_p90: float
    error: float
    """Median of |P50 - truth| over truth."""
    counted_error: float
    line_error: float
    by_horizon: tuple[tuple[float, float, int, float, float, float], ...]
    """From, to, runs, median relative error of the service and both baselines."""
    pit: tuple[int, ...]


def _between_banks_se(covered: npt.NDArray[np.bool_], banks: Sequence[str]) -> float:
    """Return the standard error of a coverage whose runs come in groups."""
    _, group = np.unique(np.array(banks), return_inverse=True)
    off = np.bincount(group, weights=covered - np.mean(covered))
    return float(np.sqrt(np.sum(off**2)) / covered.size)


def scores_of(every: Sequence[Asked]) -> Scores:
    """Return the scores; truths past the horizon are right-censored and only counted."""
    told = [one for one in every if np.isfinite(one.said_h).all()]
    inside = [one for one in told if not one.beyond]
    true = np.array([one.true_h for one in inside])
    said = np.stack([one.said_h for one in inside])
    points = [np.array([getattr(one, name) for one in inside]) for name in ("counted_h", "line_h")]
    covered = (true >= said[:, 0]) & (true <= said[:, 2])
    errors = [np.abs(f - true) / np.maximum(true, 0.5) for f in (said[:, 1], *points)]
    rows = []
    for low, high in pairwise(HORIZONS_H):
        here = (true >= low) & (true < high)
        if bool(np.any(here)):
            middle = [float(np.median(error[here])) for error in errors]
            rows.append((low, high, int(np.sum(here)), middle[0], middle[1], middle[2]))
    loss = [
        float(np.mean(pinball(f if f.ndim > 1 else np.repeat(f[:, None], 3, axis=1), true)))
        for f in (said, *points)
    ]
    pit = np.histogram(rank_of_truth(said, true), bins=PIT_BINS, range=(0.0, 1.0))[0]
    lasts = np.array([(one.chance_beyond, one.beyond) for one in told], dtype=float)
    return Scores(
        asked=len(every),
        unsaid=len(every) - len(told),
        beyond=len(told) - len(inside),
        brier=float(np.mean((lasts[:, 0] - lasts[:, 1]) ** 2)),
        pinball_h=loss[0],
        counted_h=loss[1],
        line_h=loss[2],
        coverage=float(np.mean(covered)),
        coverage_se=float(np.sqrt(0.16 / len(inside))),
        coverage_bank_se=_between_banks_se(covered, [one.bank for one in inside]),
        below_p10=float(np.mean(true < said[:, 0])),
        above_p90=float(np.mean(true > said[:, 2])),
        error=float(np.median(errors[0])),
        counted_error=float(np.median(errors[1])),
        line_error=float(np.median(errors[2])),
        by_horizon=tuple(rows),
        pit=tuple(int(n) for n in pit),
    )


def table_of(scores: Scores, *, seeds: Sequence[int], vehicles: int, days: float) -> str:
    """Return the scores in words and numbers."""
    rows = "\n".join(
        f"  {low:5.0f} - {high:3.0f} h  {runs:5d}   {own:6.0%}      {counted:6.0%}      {line:6.0%}"
        for low, high, runs, own, counted, line in scores.by_horizon
    )
    return f"""seeds {" ".join(map(str, seeds))}: {vehicles} banks each, {days:g} days, capacity = label x N(0.8, 0.12)
{scores.asked} forecasts asked while nothing charged; {scores.unsaid} not given, {scores.beyond} lasted past {HORIZON_H:g} h (Brier score of that chance {scores.brier:.3f})

relative error of P50, median     forecast  label counted  voltage line
  true hours    runs
{rows}
  all           {scores.asked - scores.unsaid - scores.beyond:5d}   {scores.error:6.0%}      {scores.counted_error:6.0%}      {scores.line_error:6.0%}

pinball loss at 10, 50, 90 %, mean: forecast {scores.pinball_h:.2f} h, label counted {scores.counted_h:.2f} h, voltage line {scores.line_h:.2f} h
P10-P90 coverage {scores.coverage:.1%} (80 % is right), standard error {scores.coverage_se:.1%}, between banks {scores.coverage_bank_se:.1%}
below P10 {scores.below_p10:.1%}, above P90 {scores.above_p90:.1%}
rank of the truth in tenths (even is right): {" ".join(map(str, scores.pit))}
beaten by two: {"yes" if 2.0 * scores.pinball_h <= min(scores.counted_h, scores.line_h) else "no"}

label counted: label capacity less nameplate current since the last charge of an hour, over the mean of a day.
voltage line: straight through 12 h of loaded voltage, down to the cut-out."""  # noqa: E501 - a table
