"""Machines set beside machines like them: how far out each number lies, and what stands out as a whole."""

from typing import Literal, NamedTuple

from services.domain._frozen import Frozen

ComparedName = Literal[
    "night_slope_per_k",
    "capacity_ratio_k",
    "warm_up_per_h",
    "path_share",
    "capacity_share",
    "starts_per_h",
    "hours_run_a_day",
    "always_on_share",
    "cutouts_a_month",
]
"""Numbers that machines are compared by.

``path_share``: resistance of the way from the battery over that of a sound one; ``capacity_share``:
what the battery holds of its label; ``always_on_share``: days on which it ran nearly all of the time;
``cutouts_a_month``: stops for want of supply in thirty days.
"""
LikeBy = Literal["kind", "speed", "model", "volume", "age", "place"]
"""What machines of a group have in common."""
Apart = Literal["site", "kit"]
"""By place, or by length and section of the cable."""


class Middle(NamedTuple):
    """What one number of a unit came to over its last month."""

    name: ComparedName
    value: float
    days: int | None
    """That told it; None: learned, not counted by days."""
    season: float | None
    """The same over the last season, where that holds more days."""


class ComparedNumber(Frozen):
    """One number of one unit beside the same number of units like it."""

    unit: str
    name: ComparedName
    value: float
    days: int | None
    """Days it is the middle of; None: learned, not counted by days."""
    season: float | None = None
    """The same over the last season, where that holds more days."""
    middle: float
    """Of the group, this unit included."""
    scatter: float
    """Of the group: 1.4826 times the middle distance from the middle, or the least that counts."""
    out: float
    """Robust z: how many scatters it lies above the middle."""
    worse: bool
    """Whether it lies to the side that costs cooling or charge."""
    p: float
    line: float
    """The same after Benjamini and Hochberg, over every comparison of its kind."""
    stands_out: bool
    like: dict[LikeBy, str]
    """What the group has in common, as far as it is described."""
    of: int
    """Units in the group, this one included."""


class StandsOut(Frozen):
    """A place or a kind of cable whose units lie out together, beside units like them."""

    by: Apart
    key: str
    name: ComparedName
    units: int
    others: int
    out: float
    """Middle of its units less that of the others, in scatters of their groups."""
    p: float
    line: float


class FleetComparison(Frozen):
    """Every number that could be compared, the furthest out first."""

    days: int
    units: int
    """That were looked at: in use, of the places that are seen."""
    rows: tuple[ComparedNumber, ...]
    apart: tuple[StandsOut, ...]
    apart_looked_at: int
    """Comparisons of places and kinds of cable, most of which found nothing."""
    too_few_days: tuple[str, ...]
    """Units with too few plain days for any number of theirs."""
    too_few_like: tuple[str, ...]
    """Units with numbers, and too few units like them for any."""
