"""Builds what the lists show of a unit from one assessment."""

from collections.abc import Sequence
from typing import Any

from services.analytics.food.answers import beside
from services.analytics.food.limit import Limit
from services.analytics.food.rules import limits_of
from services.analytics.food.spotcheck import spot_of_unit
from services.domain import Analysis, Bench, CoreReading, Exposure, UnitCard, UnitSettings
from services.records.said import Standing
from services.store import Latest

SERVICE_INTERVAL_S = 60
"""Reporting interval of a unit whose settings give none."""

_NOT_SHOWN = frozenset({"lat_deg", "lon_deg"})
"""Positions reveal rare animals and people (design 1)."""


def card_of(
    analysis: Analysis,
    settings: UnitSettings,
    *,
    latest: Latest | None,
    standing: Standing,
    backlog_expected: bool,
    probe: CoreReading | None = None,
) -> UnitCard:
    """Return the card of one unit."""
    site = settings.site
    limits = limits_of(settings)
    return UnitCard(
        unit=settings.unit.id,
        name=settings.name,
        kind=settings.unit.kind,
        site=None if site is None else site.id,
        site_name=None if site is None else site.name,
        site_kind=None if site is None else site.kind,
        timezone="UTC" if site is None else site.timezone,
        state=settings.unit.state,
        classes=settings.classes,
        set_point_c=settings.set_point_c,
        limit_c=limits.food_limit_c,
        interval_s=SERVICE_INTERVAL_S if settings.interval_s is None else settings.interval_s,
        backlog_expected=backlog_expected,
        runout=analysis.runout,
        cutouts=UnitCard.newest_cutouts(analysis),
        cut_out_now=_cut_out_now(analysis),
        service=analysis.service or (),
        bench=Bench.of(analysis),
        sensors=analysis.sensors,
        spot=() if probe is None else spot_of_unit(settings, probe),
        **_moving(analysis, limits.limits, latest=latest, standing=standing),
    )


def moved_on(
    card: UnitCard,
    analysis: Analysis,
    limits: Sequence[Limit],
    *,
    latest: Latest | None,
    standing: Standing,
) -> UnitCard:
    """Return the card of a unit whose judgement was carried on: forecasts stay as they were told last."""
    return card.model_copy(update=_moving(analysis, limits, latest=latest, standing=standing))


def _moving(
    analysis: Analysis, limits: Sequence[Limit], *, latest: Latest | None, standing: Standing
) -> dict[str, Any]:
    """Return what every sample moves."""
    clock = deciding(analysis)
    return {
        "observed_at": None if latest is None else latest.t_ms,
        "received_at": None if latest is None else latest.received_ms,
        "latest": {} if latest is None else {k: v for k, v in latest.values.items() if k not in _NOT_SHOWN},
        "standing": standing.verdict,
        "standing_since": standing.since_ms,
        "standing_why": standing.why,
        "computed": analysis.verdict,
        "computed_why": analysis.verdict_why,
        "decided_c": None if clock is None else clock.limit_c,
        "decided_below": clock is not None
        and any(
            limit.below and (limit.rule, limit.limit_c) == (clock.rule, clock.limit_c) for limit in limits
        ),
        "minutes_above": 0.0 if clock is None else clock.minutes_above,
        "minutes_unknown": 0.0 if clock is None else clock.minutes_unknown,
        "minutes_worst_case": 0.0 if clock is None else clock.minutes_worst_case,
        "answers": beside(analysis.answers, standing.verdict, standing.why),
        "as_of": analysis.as_of,
    }


def deciding(analysis: Analysis) -> Exposure | None:
    """Return the food clock that decides: the worst verdict, then the most minutes."""
    clocks = [e for e in analysis.exposure if e.rule is not None and e.verdict is not None]
    food = [e for e in clocks if e.basis != "cabinet"] or clocks
    return max(
        food,
        key=lambda e: (-1 if e.verdict is None else e.verdict.rank, e.minutes_worst_case, e.minutes_above),
        default=None,
    )


def _cut_out_now(analysis: Analysis) -> bool:
    open_now = any(cutout.end is None for cutout in analysis.cutouts or ())
    return open_now or analysis.runout.reason == "cut_out"
