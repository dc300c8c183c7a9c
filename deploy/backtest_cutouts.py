"""Scores the cut-outs the service finds against what really happened in simulated fleets."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from deploy.backtest_trial import trial
from deploy.backtesting import Outage, Played, play, reseeded
from deploy.simulating import Job
from firmware_sim.stops import Stop
from services.analytics.power.assess import power
from services.domain import Cutout
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, iso_of

EVERY_KIND = "every-kind"
"""Name of the made-up fleet of `backtest_trial`."""

TRIAL_DAYS = 14.0
TRIAL_ENDS_MS = 20_500 * DAY_MS

TARGETS = {"precision": 0.99, "recall": 0.99, "cause": 0.9}

LEAST_MISSING_MS = 15 * MINUTE_MS
"""Outages in which less cooling than this was missing need not be found; found ones count as right."""

SLACK_MS = 3 * MINUTE_MS
"""Samples a minute apart see beginnings and ends so late."""

LEAST_STANDING_MS = 90 * MINUTE_MS
"""A machine that stands for its own reasons, with the supply well, is told from this long on: a protector
that trips lets go before, and is no cut-out."""

NEVER_FULL_MS = 7 * DAY_MS
FULL_SOC = 0.95
NOT_YET_MS = 14 * HOUR_MS
"""So soon after a charger failed it may not have been due yet: flat is as good an answer."""


@dataclass(frozen=True)
class Want:
    """One outage that had to be found, with the causes that count as right."""

    outage: Outage
    kind: str
    causes: frozenset[str]
    """Empty: not scored."""
    first: str = ""
    """The cause the truth names; others count where what had been could not tell them apart."""


@dataclass(frozen=True)
class Miss:
    """Something to be told: a miss, a false alarm or a wrong cause."""

    unit: str
    what: str
    at_ms: int
    detail: str


@dataclass
class Score:
    """Counts over units and runs."""

    events: int = 0
    right_events: int = 0
    outages: int = 0
    found: int = 0
    causes: int = 0
    right_causes: int = 0
    strict_causes: int = 0
    """Of those, named as the truth names it."""
    confusion: Counter[tuple[str, str]] = field(default_factory=Counter)
    by_kind: Counter[tuple[str, str]] = field(default_factory=Counter)
    start_late_ms: list[int] = field(default_factory=list)
    true_min: float = 0.0
    told_min: float = 0.0
    misses: list[Miss] = field(default_factory=list)
    last_told: tuple[Cutout, ...] = ()

    @property
    def precision(self) -> float:
        """Share of told events that were so."""
        return self.right_events / self.events if self.events else float("nan")

    @property
    def recall(self) -> float:
        """Share of outages that were told."""
        return self.found / self.outages if self.outages else float("nan")

    @property
    def cause_accuracy(self) -> float:
        """Share of found outages with the right cause."""
        return self.right_causes / self.causes if self.causes else float("nan")

    def take(self, played: Played, told: tuple[Cutout, ...] | None = None) -> None:
        """Judge one unit's run by what the service tells of it, worked out here unless it is given."""
        as_of_ms = int(played.series.t_ms[-1]) + MINUTE_MS if len(played.series) else 0
        if told is None:
            told = power(played.series, played.settings, as_of_ms=as_of_ms, food_limit_c=5.0).cutouts or ()
        self.last_told = told
        wants = [_want(outage, played) for outage in played.outages]
        for event in told:
            self.events += 1
            right = any(_overlap(event, want.outage) for want in wants) or _in_stop(event, played.stops)
            self.right_events += right
            if not right:
                self._miss(played, "false", event.start, f"{event.cause}: {event.why[:90]}")
        for want in wants:
            least_ms = LEAST_STANDING_MS if want.causes == {"unit"} else LEAST_MISSING_MS
            unseen = not len(played.series) or want.outage.start_ms < int(played.series.t_ms[0])
            if want.outage.missing_ms < least_ms or want.outage.start_ms >= as_of_ms - SLACK_MS or unseen:
                continue
            self._judge(want, [event for event in told if _overlap(event, want.outage)], played)

    def _judge(self, want: Want, over: Sequence[Cutout], played: Played) -> None:
        self.outages += 1
        self.by_kind[want.kind, "outages"] += 1
        self.true_min += want.outage.missing_ms / MINUTE_MS
        if not over:
            hours = want.outage.missing_ms / HOUR_MS
            self._miss(played, "missed", want.outage.start_ms, f"{want.kind}, {hours:.1f} h")
            return
        self.found += 1
        self.by_kind[want.kind, "found"] += 1
        event = min(over, key=lambda e: abs(e.start - want.outage.start_ms))
        self.start_late_ms.append(event.start - want.outage.start_ms)
        self.told_min += sum(e.minutes_without_cooling for e in over)
        if not want.causes:
            return
        self.causes += 1
        right = event.cause in want.causes
        self.right_causes += right
        self.strict_causes += event.cause == want.first
        self.by_kind[want.kind, "right"] += right
        self.by_kind[want.kind, "causes"] += 1
        self.confusion[want.first, event.cause] += 1
        if not right:
            self._miss(
                played,
                "cause",
                event.start,
                f"{'/'.join(sorted(want.causes))} told {event.cause}: {event.why}",
            )

    def _miss(self, played: Played, what: str, at_ms: int, detail: str) -> None:
        self.misses.append(Miss(played.unit, what, at_ms, detail))


def _overlap(event: Cutout, outage: Outage) -> bool:
    late = outage.end_ms is None or event.start <= outage.end_ms + SLACK_MS
    early = event.end is None or event.end >= outage.start_ms - SLACK_MS
    return late and early


def _in_stop(event: Cutout, stops: Iterable[Stop]) -> bool:
    """Return whether an event lies over a stop, though perhaps no cooling was wanted in it."""
    return any(
        stop.kind != "does_not_turn"
        and (stop.end_ms is None or event.start <= stop.end_ms + SLACK_MS)
        and (event.end is None or event.end >= stop.start_ms - SLACK_MS)
        for stop in stops
    )


def _want(outage: Outage, played: Played) -> Want:
    """Return what should be told of an outage: by the stop it began with, else by what was done."""
    end_ms = outage.end_ms if outage.end_ms is not None else int(played.series.t_ms[-1]) + DAY_MS
    over = [
        stop
        for stop in played.stops
        if stop.start_ms <= end_ms and (stop.end_ms is None or stop.end_ms >= outage.start_ms)
    ]
    if any(m.start_ms <= end_ms and m.end_ms >= outage.start_ms for m in played.moves):
        return Want(outage, "moved_bank", frozenset())
    acting = {
        f.kind
        for f in played.faults
        if f.begins_ms <= end_ms and (f.ends_ms is None or f.ends_ms >= outage.start_ms)
    }
    parted = sorted(acting & {"unplugged", "isolator_off"})
    if parted:
        return Want(outage, parted[0], frozenset({"supply_interrupted"}), "supply_interrupted")
    if "switched_off" in acting:
        return Want(outage, "switched_off", frozenset({"unit"}), "unit")
    if not over:
        if outage.starved_ms > 0.5 * outage.missing_ms:
            return Want(outage, "cannot_start", frozenset({"wiring"}), "wiring")
        return Want(outage, "does_not_turn", frozenset({"unit"}), "unit")
    first = min(over, key=lambda stop: abs(stop.start_ms - outage.start_ms))
    causes = {str(first.cause)}
    if first.cause == "battery_flat" and not _was_full(first, played):
        causes.add("charging")
    if (
        first.cause == "battery_flat"
        and played.wearing_ms is not None
        and outage.start_ms > played.wearing_ms
    ):
        causes.add("battery_weak")
    if first.cause == "battery_flat" and "half_tapped" in acting:
        causes.add("battery_weak")  # from one voltage for both halves a tap is "something else draws on it"
    failed_ms = played.uncharged_ms
    if first.cause == "charging" and failed_ms is not None and outage.start_ms < failed_ms + NOT_YET_MS:
        causes.add("battery_flat")
    return Want(outage, first.kind, frozenset(causes), str(first.cause))


def _was_full(stop: Stop, played: Played) -> bool:
    """Return whether the bank was full in the week before a stop, or nothing is known of the whole week."""
    t_ms = played.series.t_ms
    low, high = np.searchsorted(t_ms, [stop.start_ms - NEVER_FULL_MS, stop.start_ms])
    return bool(np.any(played.soc[low:high] >= FULL_SOC))


def runs(
    scenarios: Sequence[Path], seeds: Sequence[int], *, days: float | None
) -> Iterator[tuple[str, int, list[Played]]]:
    """Play every scenario with every seed; `EVERY_KIND` names the made-up fleet.

    Raises
    ------
    ConfigurationError
        If a scenario cannot be used.
    """
    for scenario in scenarios:
        for seed in seeds:
            if str(scenario) == EVERY_KIND:
                start_ms = TRIAL_ENDS_MS - round((TRIAL_DAYS if days is None else days) * DAY_MS)
                made = trial(seed, start_ms=start_ms, end_ms=TRIAL_ENDS_MS)
                played = play(made.scenario, start_ms=start_ms, end_ms=TRIAL_ENDS_MS, moves=made.moves)
            else:
                ends = iso_of(TRIAL_ENDS_MS)
                job = Job.of(scenario, units=None, days=days, end=None)
                if job.scenario.ends is None:
                    job = Job.of(scenario, units=None, days=days, end=ends)
                start_ms, end_ms = job.stretch_ms()
                played = play(reseeded(job.scenario, seed), start_ms=start_ms, end_ms=end_ms)
            yield str(scenario), seed, played


def cutouts(
    scenarios: Sequence[Path], seeds: Sequence[int], *, days: float | None, say: Callable[[str], None]
) -> Score:
    """Score the service's cut-outs over scenarios and seeds, saying after each run how it stands."""
    score = Score()
    for name, seed, played in runs(scenarios, seeds, days=days):
        own = Score()
        for one in played:
            own.take(one)
            score.take(one, told=own.last_told)
        say(f"{name}, seed {seed}: {_numbers(own)}")
    return score


def _share(value: float) -> str:
    return "none" if np.isnan(value) else f"{value:.4f}"


def _numbers(score: Score) -> str:
    return (
        f"{score.outages} outages, {score.events} told; precision {_share(score.precision)}, recall"
        f" {_share(score.recall)}, cause {_share(score.cause_accuracy)}, to the word"
        f" {_share(score.strict_causes / score.causes if score.causes else float('nan'))}"
    )


def lines(score: Score, *, most: int) -> Iterator[str]:
    """Return the table, what was taken for what, and the first misses."""
    yield _numbers(score)
    late = np.array(score.start_late_ms) / MINUTE_MS
    if late.size:
        middle, far = np.median(late), np.quantile(np.abs(late), 0.95)
        yield f"beginning told {middle:+.1f} min off (median), within {far:.0f} min for 95 of 100"
        yield f"hours without cooling: true {score.true_min / 60:.1f}, told {score.told_min / 60:.1f}"
    yield f"{'kind of outage':<22}{'outages':>9}{'found':>9}{'cause right':>14}"
    for kind in sorted({kind for kind, _ in score.by_kind}):
        count = {what: score.by_kind[kind, what] for what in ("outages", "found", "right", "causes")}
        cause = f"{count['right']}/{count['causes']}" if count["causes"] else "not scored"
        yield f"{kind:<22}{count['outages']:>9}{count['found']:>9}{cause:>14}"
    yield f"{'true cause':<22}{'told':<22}{'times':>6}"
    for (true, told), times in sorted(score.confusion.items()):
        yield f"{true:<22}{told:<22}{times:>6}"
    for miss in score.misses[:most]:
        yield f"{miss.what}: {miss.unit} at {iso_of(miss.at_ms)}: {miss.detail[:160]}"
    if len(score.misses) > most:
        yield f"and {len(score.misses) - most} more of that kind"


def short_of(score: Score) -> tuple[str, ...]:
    """Return the targets that were missed."""
    found = {"precision": score.precision, "recall": score.recall, "cause": score.cause_accuracy}
    return tuple(
        f"{name} {value:.4f}, wanted {TARGETS[name]:g}"
        for name, value in found.items()
        if value < TARGETS[name]
    )
