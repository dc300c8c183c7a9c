"""Inspector's logs from the databases of a lodge box: readings, records, and what people said."""

from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise
from zoneinfo import ZoneInfo

import orjson

from dashboards.reports.contents import (
    Contradiction,
    LogSheet,
    Regime,
    Resting,
    SaidLine,
    VerdictLine,
    Withdrawn,
)
from deploy import log_days, log_spots
from deploy.analyse import zone_of
from deploy.reporting import Period, Said, regime_of, sheet_of, span_asked
from services.analytics.assess import HISTORY_MS
from services.domain import UnitSettings, UnitState
from services.errors import ConfigurationError
from services.records.facade import Records
from services.store import StoreReader
from services.timebase import DAY_MS, Span, ms_of, utc_day_start_ms

ANSWERED_MS = 3 * DAY_MS
"""What people say this long after a period may answer for what happened in it; signatures always do."""
_ALL = 1_000_000


class LogBook:
    """Makes inspector's logs of the units of a fleet, from its records and its readings."""

    def __init__(self, records: Records, reader: StoreReader) -> None:
        """Take the records and the telemetry store's reading side."""
        self._records = records
        self._reader = reader

    def zone(self, unit: str) -> ZoneInfo:
        """Return the zone of a unit's place.

        Raises
        ------
        KeyError
            If the fleet has no such unit.
        """
        site = self._records.fleet().settings_of(unit).site
        return ZoneInfo("UTC") if site is None else site.zone

    def sheet(self, unit: str, period: Period, *, printed_ms: int) -> LogSheet:
        """Return the log of a unit (see `span_asked` for the period).

        Raises
        ------
        KeyError
            If the fleet has no such unit.
        ConfigurationError
            If the period makes no sense.
        """
        zone = zone_of(period.timezone) or self.zone(unit)
        span = span_asked(period, zone, now_ms=printed_ms)
        series = self._reader.read(
            unit,
            utc_day_start_ms(span.start_ms) - HISTORY_MS - DAY_MS,
            min(span.end_ms + log_days.REACH_MS, printed_ms) + 1,
        )
        return sheet_of(
            log_days.Ground(series, self._regimes(unit, span), printed_ms, offline=False),
            span,
            zone,
            said=self._said(unit, span, printed_ms),
            source="the unit's own readings, as they arrived and were kept",
        )

    def of_days(self, unit: str, first: str, last: str, *, longest_ms: int, printed_ms: int) -> LogSheet:
        """Return the log of a unit over days at its place; empty texts stand for the last seven.

        Raises
        ------
        KeyError
            If the fleet has no such unit.
        ConfigurationError
            If the days make no sense, or are too many.
        """
        period = Period(first or None, last or None)
        span = span_asked(period, self.zone(unit), now_ms=printed_ms)
        if span.end_ms - span.start_ms > longest_ms:
            raise ConfigurationError(f"at most {longest_ms // DAY_MS} days here", setting="from and to")
        return self.sheet(unit, period, printed_ms=printed_ms)

    def _regimes(self, unit: str, span: Span) -> tuple[Regime, ...]:
        """Return how a unit was described over a period; one it has no description for takes the next."""
        edges = [span.start_ms, *self._records.fleet_changes(span.start_ms + 1, span.end_ms), span.end_ms]
        found: list[Regime] = []
        for start_ms, end_ms in pairwise(edges):
            try:
                settings = self._records.fleet(start_ms).settings_of(unit)
            except KeyError:
                continue
            if found and _same_rules(found[-1].settings, settings):
                found[-1] = replace(found[-1], span=Span(found[-1].span.start_ms, end_ms))
            elif start_ms < end_ms:
                found.append(regime_of(settings, Span(start_ms, end_ms)))
        if not found:
            found = [regime_of(self._records.fleet().settings_of(unit), span)]
        first = found[0]
        return (replace(first, span=Span(span.start_ms, first.span.end_ms)), *found[1:])

    def _resting(self, unit: str, span: Span) -> tuple[Resting, ...]:
        """Return where a unit was said to be empty, off or away."""
        said = (s.t_ms for s in self._records.statements(unit, _ALL) if s.kind == "unit_state")
        inside = {t for t in said if span.start_ms < t < span.end_ms}
        changes = {span.start_ms, *inside, *self._records.fleet_changes(span.start_ms + 1, span.end_ms)}
        found: list[Resting] = []
        for start_ms, end_ms in pairwise([*sorted(changes), span.end_ms]):
            units = self._records.fleet(start_ms).units
            state: UnitState = next((u.state for u in units if u.id == unit), "in_use")
            if found and found[-1].state == state and found[-1].span.end_ms == start_ms:
                found[-1] = Resting(Span(found[-1].span.start_ms, end_ms), state)
            else:
                found.append(Resting(Span(start_ms, end_ms), state))
        return tuple(rest for rest in found if rest.state != "in_use")

    def _said(self, unit: str, span: Span, printed_ms: int) -> Said:
        records, reader = self._records, self._reader
        cards = records.batches_between(unit, span.start_ms, span.end_ms)
        lives = {card.batch.id: records.batch_life(card.batch.id) for card in cards}
        events = tuple(e for batch in lives for e in records.batch_events(batch) if e.t < span.end_ms)
        status, heard = reader.statuses().get(unit), reader.span_of(unit)
        said = records.statements(unit, _ALL)
        inside = {s.id for s in said if span.start_ms <= s.t_ms < span.end_ms + ANSWERED_MS}
        corrected = records.corrected_by({s.id for s in said}, {unit})
        lines = [
            SaidLine(
                s.id,
                s.t_ms,
                s.who,
                s.kind,
                dict(s.body),
                log_spots.of_statement(records, s),
                s.signed,
                corrected.get(s.id),
            )
            for s in reversed(said)
            if s.id in inside
            or (s.kind == "signed" and s.t_ms >= span.start_ms)
            or (s.kind == "corrected" and s.body["line"] in inside)
        ]
        return Said(
            lines=tuple(lines),
            checks=tuple(c for c in records.sensor_checks(unit) if ms_of(c.at) < span.end_ms),
            verdicts=tuple(
                VerdictLine(v.t_ms, v.recorded_ms, v.computed, v.standing, v.standing_before, v.origin, v.why)
                for v in reversed(records.verdict_history(unit, _ALL))
                if span.start_ms <= v.t_ms < span.end_ms
            ),
            withdrawn=tuple(
                Withdrawn(e.rule, e.limit_c, e.basis, Span(e.start_ms, e.end_ms), e.peak_c, e.withdrawn_ms)
                for e in reversed(records.episodes(unit, withdrawn=True))
                if e.withdrawn_ms is not None and e.start_ms < span.end_ms and e.end_ms > span.start_ms
            ),
            contradictions=tuple(_contradictions(reader, unit, span)),
            batches=tuple(cards),
            events=events,
            spots={e.id: log_spots.of_event(records, lives[e.batch], e) for e in events},
            awaited=tuple(
                Span(max(s.start_ms, span.start_ms), min(s.end_ms, span.end_ms))
                for s in reader.missing_spans(unit)
                if s.start_ms < span.end_ms and s.end_ms > span.start_ms
            ),
            chain=records.chain_head(),
            clock_from_ms=_clock_from(records, unit, min(span.end_ms, printed_ms)),
            heard_ms=None if heard is None else heard[0],
            resting=self._resting(unit, span),
            firmware=None if status is None else status.fw,
        )


def _clock_from(records: Records, unit: str, end_ms: int) -> int | None:
    """Return when the unit was last said to hold nothing, where that is before the end."""
    found = records.clock_from_ms(unit)
    return found if found is not None and found < end_ms else None


def _contradictions(reader: StoreReader, unit: str, span: Span) -> Iterable[Contradiction]:
    for kept in reversed(reader.quarantine(_ALL)):
        told = kept.rejected
        if told.reason != "identity_conflict" or told.unit != unit or told.bid is None or told.sq is None:
            continue
        body = orjson.loads(kept.payload)
        if span.start_ms <= body["t_ms"] < span.end_ms:
            yield Contradiction(body["t_ms"], kept.received_ms, told.bid, told.sq, body["values"])


def _same_rules(one: UnitSettings, other: UnitSettings) -> bool:
    """Return whether two descriptions differ in nothing but what the unit is used for."""

    def plain(settings: UnitSettings) -> UnitSettings:
        unit = settings.unit.model_copy(update={"state": "in_use"})
        return settings.model_copy(update={"unit": unit, "site": None, "bank": None})

    return plain(one) == plain(other)
