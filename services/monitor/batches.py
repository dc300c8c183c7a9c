"""Judges batches of food together with the cabinets they lie in."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC
from functools import partial

from services.analytics.food.batchair import Air, air_of
from services.analytics.food.batches import judge_batch
from services.analytics.food.batchpath import Followed
from services.analytics.food.batchtimers import timers_of, verdict_of
from services.analytics.food.entries import sentence
from services.analytics.food.spotcheck import spot_of_batch
from services.domain import Analysis, Cutout, Fleet, UnitSettings, Verdict
from services.monitor.batchanswers import answers_of
from services.monitor.batchcards import batch_card_of, with_warnings
from services.monitor.batchstanding import standing_after
from services.monitor.ruled import Ruled
from services.monitor.window import Windows
from services.records.facade import Records
from services.records.said import BatchContext, BatchResult, Result, Standing
from services.telemetry import Series
from services.timebase import DAY_MS, MINUTE_MS, Span, utc_day_start_ms

LOOK_BACK_MS = 7 * DAY_MS
NEAR_MS = 30 * MINUTE_MS
"""Readings this long before a stay still tell of the air at its start."""
SILENT_WORDS = (
    "Nothing heard from its cabinet for longer than food keeps there without cooling; a named person probes"
    " and decides"
)
FOLLOWED_AT_MOST = 2_000
"""Batches whose way stays in memory."""


@dataclass(frozen=True, slots=True)
class Moment:
    """What a step knows of one cabinet besides its samples."""

    unit: str
    now_ms: int
    touched_ms: int | None
    """Earliest time at which its samples changed since it was last judged."""
    expected: tuple[Span, ...]
    doubt: str | None
    """Why nothing good can be said whatever the samples show."""
    fleet: Fleet
    series: Series
    """Its samples in the days every judgement looks at."""
    expected_of: Callable[[str], tuple[Span, ...]] = lambda _unit: ()
    """Where samples of another cabinet are known to exist that have not arrived."""
    silent: bool = False
    """Whether it has been silent for longer than food keeps in it."""
    cutouts: tuple[Cutout, ...] = ()
    """When it was cut off, as far back as every judgement looks."""


@dataclass(frozen=True, slots=True)
class _Read:
    """The readings of a cabinet in a stretch of time, as they were read."""

    start_ms: int
    end_ms: int
    air: Air


class BatchJudge:
    """Keeps batches judged; what it remembers spares work and changes no result."""

    def __init__(self, records: Records, windows: Windows, ruled: Ruled) -> None:
        """Read from the records and from what else the monitor keeps at hand."""
        self._records = records
        self._windows = windows
        self._ruled = ruled
        self._followed: dict[int, tuple[Followed, ...]] = {}
        self._contexts: dict[tuple[str, int], dict[int, BatchContext]] = {}
        self._old: dict[str, _Read] = {}
        self._others: dict[str, _Read] = {}
        self._event_no = records.newest_batch_event()
        self._units = records.units_with_batches()
        self._homeless_ms: int | None = None

    def take_in(self) -> frozenset[str]:
        """Look at what people said of batches since the last time; return the cabinets to judge at once."""
        events = self._records.batch_events_after(self._event_no)
        if not events:
            return frozenset()
        self._event_no = events[-1].id
        self._contexts.clear()
        self._homeless_ms = None
        self._units = self._records.units_with_batches()
        return self._records.units_of_batches(frozenset(event.batch for event in events))

    def joined(self, result: Result, moment: Moment, *, past: bool) -> Result:
        """Return the assessment of a cabinet with the batches that it bears on judged.

        `past` says that all of the looked-at past may read otherwise than before.
        """
        if moment.touched_ms is not None:
            self.touched(moment.unit, moment.touched_ms)
        if moment.unit not in self._units:
            own = result.card.with_batches(())
            return replace(result, card=own, own_clock=result.own)
        contexts = self._concerned(moment, past=past)
        moment = replace(moment, cutouts=result.analysis.cutouts or ())
        airs: dict[str, Air] = {}
        if _held_for_silence(result.analysis):
            moment = replace(moment, silent=True)
        results = [
            self._judged(number, context, moment, airs) for number, context in sorted(contexts.items())
        ]
        here = [r for r in results if _lies_in(r, moment.unit)]
        warned = {c.batch.id: c for c in with_warnings([r.card for r in here])}
        results = [replace(r, card=warned.get(r.card.batch.id, r.card)) for r in results]
        card = result.card.with_batches([r.card for r in results if _lies_in(r, moment.unit)])
        return replace(result, card=card, own_clock=result.own, batches=tuple(results))

    def homeless(self, fleet: Fleet, now_ms: int) -> None:
        """Judge the batches nobody can place, or whose cabinet left the fleet, once a minute."""
        if self._homeless_ms is not None and 0 <= now_ms - self._homeless_ms < MINUTE_MS:
            return
        self._homeless_ms = now_ms
        contexts = self._records.lost_batches(frozenset(unit.id for unit in fleet.units))
        moment = Moment("", now_ms, None, (), None, fleet, Series.empty())
        results = [self._judged(number, context, moment, {}) for number, context in contexts.items()]
        if results:
            self._records.write_batches(results)

    def kept(self, result: Result) -> frozenset[str]:
        """Take note that a result was kept; return other cabinets whose batches it changed."""
        changed = set()
        for batch in result.batches:
            number, card = batch.card.batch.id, batch.card
            standing = Standing(card.standing, card.standing_since, card.standing_why)
            for contexts in self._contexts.values():
                if number in contexts:
                    before = contexts[number]
                    contexts[number] = replace(before, standing=standing)
                    moved = before.standing is None or before.standing.verdict is not standing.verdict
                    if moved and card.batch.unit is not None and card.batch.unit != result.card.unit:
                        changed.add(card.batch.unit)
        return frozenset(changed)

    def read_anew(self, unit: str | None = None) -> None:
        """Forget the readings of a cabinet that may read otherwise by now; None: of every one."""
        for kept in (self._old, self._others):
            if unit is None:
                kept.clear()
            else:
                kept.pop(unit, None)

    def forget(self) -> None:
        """Ask the records and the store anew: something failed halfway."""
        self._contexts.clear()
        self.read_anew()
        self._followed.clear()

    def touched(self, unit: str, from_ms: int) -> None:
        """Forget readings of a cabinet that are not as they were read any more."""
        for kept in (self._old, self._others):
            if unit in kept and from_ms <= kept[unit].end_ms:
                del kept[unit]

    def _concerned(self, moment: Moment, *, past: bool) -> dict[int, BatchContext]:
        """Return the batches in a cabinet or out of it, and those that lay in it where samples changed."""
        window_ms = _window_ms(moment)
        since_ms = window_ms if moment.touched_ms is None else min(window_ms, moment.touched_ms)
        key = (moment.unit, since_ms)
        if key not in self._contexts:
            if since_ms == window_ms:
                self._contexts = {k: v for k, v in self._contexts.items() if k[0] != moment.unit}
            self._contexts[key] = self._records.batch_contexts(moment.unit, since_ms=since_ms)
        contexts = self._contexts[key]
        if since_ms < window_ms:
            del self._contexts[key]
        from_ms = since_ms if past else moment.touched_ms
        return {
            number: context
            for number, context in contexts.items()
            if (context.life.batch.unit == moment.unit and context.life.batch.place != "gone")
            or (from_ms is not None and _lay_in(context, moment.unit, from_ms - NEAR_MS))
        }

    def _judged(
        self, number: int, context: BatchContext, moment: Moment, airs: dict[str, Air]
    ) -> BatchResult:
        life = context.life
        here = self._airs(context, moment, airs)
        before = self._followed.get(number, ())
        found = judge_batch(life, here, as_of_ms=moment.now_ms, before=before)
        if len(self._followed) >= FOLLOWED_AT_MOST:
            self._followed.clear()
        self._followed[number] = found.followed
        host = _settings(moment.fleet, life.batch.unit)
        vulnerable = any(air.settings.unit.food.vulnerable_guests for air in here.values())
        timers = timers_of(life, found, as_of_ms=moment.now_ms, vulnerable=vulnerable)
        computed = verdict_of(found, timers)
        inside = life.batch.unit == moment.unit and life.batch.place == "stored"
        if inside and moment.silent and computed[0].rank < Verdict.HOLD.rank:
            computed = Verdict.HOLD, SILENT_WORDS
        spot = () if host is None else spot_of_batch(life, host, as_of_ms=moment.now_ms)
        broken = next((one for one in spot if one.compliant == "no"), None)
        if broken is not None and computed[0].rank < Verdict.WATCH.rank:
            computed = Verdict.WATCH, sentence(broken.rule, f"A probe showed {broken.why}")
        doubt = moment.doubt if inside else None
        standing = standing_after(context, found, computed, now_ms=moment.now_ms, doubt=doubt)
        card = batch_card_of(
            life,
            found,
            timers,
            computed=computed,
            standing=standing,
            zone=UTC if host is None or host.site is None else host.site.zone,
            spot=spot,
            answers=answers_of(
                life,
                found,
                here,
                verdict=max((standing.verdict, standing.why), computed, key=lambda one: one[0].rank),
                cutouts_of=partial(self._cutouts, moment),
                as_of_ms=moment.now_ms,
            ),
            as_of_ms=moment.now_ms,
        )
        return BatchResult(card, life.event_no)

    def _airs(self, context: BatchContext, moment: Moment, airs: dict[str, Air]) -> Mapping[str, Air]:
        """Return the air in every cabinet a batch was in, over its stays there."""
        window_ms = _window_ms(moment)
        found: dict[str, Air] = {}
        starts: dict[str, int] = {}
        for stay in context.life.stays:
            if stay.unit is not None:
                starts[stay.unit] = min(stay.start_ms, starts.get(stay.unit, stay.start_ms))
        host = context.life.batch.unit
        if host is not None:
            starts.setdefault(host, context.life.batch.loaded_at)
        for unit, start_ms in starts.items():
            settings = _settings(moment.fleet, unit)
            if settings is None:
                continue
            if unit not in airs:
                airs[unit] = self._air(context, settings, moment)
            air = airs[unit]
            if start_ms - NEAR_MS < window_ms:
                old = self._older(unit, settings, start_ms - NEAR_MS, window_ms, moment)
                air = air.after(old)
            if not air.ambient_of and any(stay.out for stay in context.life.stays):
                air = self._with_ambient(air, context, start_ms - NEAR_MS, moment)
            earlier = self._ruled.before(settings, since_ms=start_ms, now_ms=moment.now_ms)
            found[unit] = replace(air, earlier=earlier) if earlier else air
        return found

    def _with_ambient(self, air: Air, context: BatchContext, start_ms: int, moment: Moment) -> Air:
        """Return the air with what another cabinet at its place measured of the air around itself."""
        own = air.settings.unit
        for unit in moment.fleet.units:
            if own.site is None or unit.site != own.site or unit.id == own.id:
                continue
            card = self._records.card(unit.id)
            if card is None or "ambient_c" not in card.latest:
                continue
            settings, window_ms = moment.fleet.settings_of(unit.id), _window_ms(moment)
            other = self._air(context, settings, moment)
            if start_ms < window_ms:
                other = other.after(self._older(unit.id, settings, start_ms, window_ms, moment))
            return replace(air, ambient=other.ambient, ambient_of=other.ambient_of)
        return air

    def _cutouts(self, moment: Moment, unit: str) -> tuple[Cutout, ...]:
        """Return when a cabinet was cut off; of one that is not looked at now, the newest that are known."""
        if unit == moment.unit:
            return moment.cutouts
        card = self._records.card(unit)
        return () if card is None else card.cutouts

    def _air(self, context: BatchContext, settings: UnitSettings, moment: Moment) -> Air:
        """Return the air of a cabinet in the days every judgement looks at."""
        unit = settings.unit.id
        if unit == moment.unit:
            checks = self._records.sensor_checks(unit)
            return air_of(
                moment.series, settings, as_of_ms=moment.now_ms, checks=checks, expected=moment.expected
            )
        window_ms = _window_ms(moment)
        ends = [stay.end_ms for stay in context.life.stays if stay.unit == unit]
        needed_ms = max(
            (moment.now_ms if end is None else min(end + NEAR_MS, moment.now_ms) for end in ends),
            default=moment.now_ms,  # asked for the air around food that is out
        )
        other = self._others.get(unit)
        if other is None or other.start_ms != window_ms or other.end_ms < needed_ms:
            found = self._windows.read(unit, window_ms, moment.now_ms + 1, touched_from_ms=None)
            checks = self._records.sensor_checks(unit)
            air = air_of(found, settings, as_of_ms=moment.now_ms, checks=checks)
            other = _Read(window_ms, moment.now_ms, air)
            self._others[unit] = other
        return replace(other.air, expected=moment.expected_of(unit))

    def _older(self, unit: str, settings: UnitSettings, start_ms: int, end_ms: int, moment: Moment) -> Air:
        """Return the air before the days every judgement looks at, read once a day and when it changes."""
        old = self._old.get(unit)
        if old is None or old.end_ms != end_ms or old.start_ms > start_ms:
            series = self._windows.past(unit, start_ms, end_ms)
            checks = self._records.sensor_checks(unit)
            air = air_of(series, settings, as_of_ms=moment.now_ms, checks=checks)
            old = _Read(start_ms, end_ms, air)
            self._old[unit] = old
        return old.air


def _window_ms(moment: Moment) -> int:
    return utc_day_start_ms(moment.now_ms) - LOOK_BACK_MS


def _held_for_silence(analysis: Analysis) -> bool:
    """Return whether a cabinet is held because nothing was heard for longer than food keeps in it."""
    return any(row.quantity == "silence" for entry in analysis.exposure for row in entry.reasons)


def _settings(fleet: Fleet, unit: str | None) -> UnitSettings | None:
    known = unit is not None and any(u.id == unit for u in fleet.units)
    return fleet.settings_of(unit) if known and unit is not None else None


def _lies_in(result: BatchResult, unit: str) -> bool:
    return result.card.batch.unit == unit and result.card.batch.place == "stored"


def _lay_in(context: BatchContext, unit: str, since_ms: int) -> bool:
    return any(
        stay.unit == unit and (stay.end_ms is None or stay.end_ms > since_ms) for stay in context.life.stays
    )
