"""What the law says of a probe reading, and how the verdict on a batch changed, in words."""

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from dashboards import foodwords, text
from dashboards.language import _
from dashboards.pages.batch_views import batch_word
from dashboards.rulenames import rule_names
from services.domain import BatchVerdict, FoodClass, SpotCheck


@dataclass(frozen=True, slots=True)
class SpotView:
    """What one document says of one probe reading, in words."""

    rule: str
    law: str
    read: str
    why: str
    source: str


def spot_views(spots: Sequence[SpotCheck], zone: ZoneInfo, now_ms: int) -> list[SpotView]:
    """Return the answers to the newest probe reading, those that were not kept first."""
    order = ("no", "unknown", "yes")
    return [
        SpotView(
            rule=rule_names(spot.rule),
            law=foodwords.LAW[spot.compliant],
            read=_read(spot, zone, now_ms),
            why=text.sentence(spot.why),
            source=spot.source,
        )
        for spot in sorted(spots, key=lambda one: order.index(one.compliant))
    ]


def _read(spot: SpotCheck, zone: ZoneInfo, now_ms: int) -> str:
    core = _("core %(temperature)s", temperature=text.degrees(spot.core_c))
    parts = [text.clock(spot.t, zone, now_ms), core]
    if spot.surface_c is not None:
        parts.append(_("surface %(temperature)s", temperature=text.degrees(spot.surface_c)))
    return ", ".join(parts)


def _stood(change: BatchVerdict, food_class: FoodClass) -> str:
    stands = batch_word(change.standing, food_class)
    if change.computed is change.standing:
        return stands
    computed = batch_word(change.computed, food_class)
    return _("%(verdict)s (computed: %(computed)s)", verdict=stands, computed=computed)


def verdict_lines(
    changes: Sequence[BatchVerdict], food_class: FoodClass, zone: ZoneInfo
) -> list[tuple[str, str, str]]:
    """Return when which verdict stood, and why; newest first."""
    return [
        (
            text.stamp(change.t, zone),
            _stood(change, food_class),
            text.sentence(change.why),
        )
        for change in changes
    ]
