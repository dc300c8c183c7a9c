"""What the pages show of one unit at a glance, kept current by the monitor."""

from collections.abc import Sequence

from services.domain._analysis import Analysis, Cutout, Finding, Instant, Runout, SensorFlag
from services.domain._answers import FoodAnswer
from services.domain._batch import BatchCard
from services.domain._fleet import SiteKind, UnitState
from services.domain._frozen import Frozen
from services.domain._spot import SpotCheck
from services.domain._verdict import Verdict


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
