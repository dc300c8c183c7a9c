"""What the pages show of one unit at a glance, kept current by the monitor."""

from collections.abc import Sequence
from typing import Any

from services.domain._analysis import Analysis, Cutout, Finding, Quantiles, Runout, SensorFlag
from services.domain._answers import FoodAnswer
from services.domain._batch import BatchCard
from services.domain._fleet import SiteKind, UnitState
from services.domain._frozen import Frozen
from services.domain._reasoned import Instant, WithReasons
from services.domain._spot import SpotCheck
from services.domain._verdict import Verdict


class Bench(WithReasons):
    """The numbers a workshop plans by, of the days looked at: no history, for lists of many units."""

    hours_seen: float
    """With a known compressor state."""
    hours_run: float | None
    hours_run_reason: str | None = None
    starts: int | None
    starts_reason: str | None = None
    starts_per_hour: float | None
    starts_per_hour_reason: str | None = None
    days_since_full: float | None
    days_since_full_reason: str | None = None
    source_ohm: float | None
    """Between battery and unit, battery included."""
    source_ohm_reason: str | None = None
    expected_ohm: float | None
    """Of a sound one."""
    expected_ohm_reason: str | None = None
    drop_share: float | None
    """Of the nominal voltage, lost in cable and joints at running current."""
    drop_share_reason: str | None = None
    capacity_ah: Quantiles | None
    capacity_ah_reason: str | None = None

    @staticmethod
    def of(analysis: Analysis) -> "Bench":
        """Return the numbers of an analysis, each with the reason it is missing."""
        battery, work = analysis.battery, analysis.work
        path = None if battery is None else battery.supply_path
        found: dict[str, Any] = {
            "hours_seen": 0.0 if work is None else work.hours_seen,
            **_with_reasons(work, analysis.work_reason, "hours_run", "starts", "starts_per_hour"),
            **_with_reasons(battery, analysis.battery_reason, "days_since_full", "capacity_ah"),
        }
        ohm = _with_reasons(battery, analysis.battery_reason, "source_resistance_ohm")
        found |= {key.replace("source_resistance_ohm", "source_ohm"): value for key, value in ohm.items()}
        found |= _with_reasons(work if path is None else path, analysis.work_reason, "expected_ohm")
        no_path = analysis.battery_reason if battery is None else battery.supply_path_reason
        return Bench(**found, **_with_reasons(path, no_path, "drop_share"))


def _with_reasons(part: WithReasons | None, missing: str | None, *names: str) -> dict[str, Any]:
    """Return values of a part of an analysis, and the reasons of those that are not there."""
    found: dict[str, Any] = {}
    for name in names:
        found[name] = getattr(part, name, None)
        if found[name] is None:
            reason = missing if part is None else getattr(part, f"{name}_reason", None)
            found[f"{name}_reason"] = reason or "not looked at"
    return found


class UnitCard(Frozen):
    """One row of the state table: enough for every list of units, no history."""

    unit: str
    name: str
    kind: str
    site: str | None
    site_name: str | None
    site_kind: SiteKind | None
    timezone: str
    state: UnitState
    classes: tuple[str, ...]
    set_point_c: float
    limit_c: float
    """The limit that decides: the strictest of the unit's rules and food classes."""
    observed_at: Instant | None
    """Time of the newest sample, None when the unit was never heard."""
    received_at: Instant | None
    """When that sample arrived here."""
    interval_s: int
    latest: dict[str, float | bool | str]
    """By column; what was not measured is absent."""
    standing: Verdict
    standing_since: Instant | None
    standing_why: str
    computed: Verdict
    computed_why: str
    decided_c: float | None = None
    """The limit the minutes below are told of; None where nothing was judged."""
    decided_below: bool = False
    """True where these are minutes below it (food that must not freeze)."""
    minutes_above: float
    minutes_unknown: float
    minutes_worst_case: float
    own_standing: Verdict | None = None
    """What stands of the cabinet's own clock; `standing` is the worse of it and of the batches in it."""
    batches: int = 0
    """Batches recorded in it now."""
    batches_worst: Verdict | None = None
    """The worst that stands of them, None when there are none."""
    backlog_expected: bool
    """True while samples are known to exist that have not arrived."""
    runout: Runout
    cutouts: tuple[Cutout, ...]
    """Newest first, at most five."""
    cut_out_now: bool
    service: tuple[Finding, ...]
    bench: Bench | None = None
    """None on a card kept before these numbers were."""
    sensors: tuple[SensorFlag, ...]
    spot: tuple[SpotCheck, ...] = ()
    """What each document says of the newest reading a person took in food in it."""
    answers: tuple[FoodAnswer, ...] = ()
    """What published texts say of the food in it that nobody wrote down."""
    as_of: Instant

    def with_batches(self, batches: Sequence[BatchCard]) -> "UnitCard":
        """Return the card, so far of the cabinet's own clock only, with what stands of the batches in it."""
        worst = max(batches, key=lambda card: card.standing.rank, default=None)
        changes: dict[str, object] = {
            "batches": len(batches),
            "batches_worst": None if worst is None else worst.standing,
            "own_standing": self.standing,
        }
        if worst is not None and worst.standing.rank > self.standing.rank:
            changes |= {
                "standing": worst.standing,
                "standing_since": worst.standing_since,
                "standing_why": f"{worst.batch.what}: {worst.standing_why}",
            }
        return self.model_copy(update=changes)

    @staticmethod
    def newest_cutouts(analysis: Analysis) -> tuple[Cutout, ...]:
        """Return the five newest cut-outs of an analysis, newest first."""
        return tuple(sorted(analysis.cutouts or (), key=lambda cutout: -cutout.start)[:5])
