"""What an open lid does within one step: the step is cut where the lid opens and closes."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from firmware_sim.plant.air import (
    AIR_J_PER_KG_K,
    density_kg_per_m3,
    doorway_m3_per_s,
    saturated_quickly_kg_per_kg,
)
from firmware_sim.plant.cabinet import Paths, frost_after, nodes_after
from firmware_sim.plant.effects import Effects
from firmware_sim.plant.refrigeration import HeatLine
from firmware_sim.plant.sizes import Sizes
from services.telemetry import FloatArray, IntArray

OPEN_PARTS = 3
CLOSED_PARTS = 2
"""Sub-steps while a lid stands open and after it closed, of equal length. Judgement: with 3 and 2 the air's
peak is within 0.1 K of steps of a second."""

SHORTEST_S = 1e-6
"""Sub-steps of no length are taken as this long. [s]"""

SMALL = 1e-9


@dataclass(frozen=True)
class Lids:
    """What lids do in one step, arrays of (n,)."""

    shut_w_per_k: FloatArray
    """Mean heat path of lids ajar, without the openings."""
    open_w_per_k: FloatArray
    """Heat path of a lid's surfaces while it stands open."""
    share: FloatArray
    """Of the step, that it stands open. [1]"""
    begins: FloatArray
    """Share of the step after which it opens. [1]"""


@dataclass(frozen=True)
class Before:
    """Cabinets at the beginning of the step, arrays of (n,)."""

    air_c: FloatArray
    plate_c: FloatArray
    food_c: FloatArray
    fresh_c: FloatArray
    fresh_kg: FloatArray
    frost_kg: FloatArray
    aired_share: FloatArray


@dataclass
class Opened:
    """What became of the cabinets `of` whose lids stood open, arrays of (k,)."""

    of: IntArray
    air_c: FloatArray
    plate_c: FloatArray
    frost_kg: FloatArray
    aired_share: FloatArray
    to_food_j: FloatArray
    to_fresh_j: FloatArray
    removed_j: FloatArray
    entered_j: FloatArray
    top_c: FloatArray
    """Air when the lid closed; NaN where it stays open."""
    top_at: FloatArray
    """Share of the step after which it closed; NaN where it stays open. [1]"""


def _parts(begins: FloatArray, share: FloatArray, step_s: float) -> Iterator[tuple[FloatArray, bool]]:
    """Yield length and state of the lid of each sub-step: before, while open, after.

    All are there for every cabinet, so that what becomes of one does not depend on others.
    """
    yield np.maximum(begins * step_s, SHORTEST_S), False
    for _ in range(OPEN_PARTS):
        yield share * (step_s / OPEN_PARTS), True
    after = 1.0 - begins - share
    for _ in range(CLOSED_PARTS):
        yield np.maximum(after * (step_s / CLOSED_PARTS), SHORTEST_S), False


def opened(
    before: Before,
    lids: Lids,
    *,
    sizes: Sizes,
    now: Effects,
    line: HeatLine,
    fan_w: FloatArray,
    outside_c: FloatArray,
    vapour_kg_per_kg: FloatArray,
    step_s: float,
) -> Opened:
    """Return what a step does to cabinets whose lids stand open in it.

    The lid acts as long as it stands open, not as a mean over the step; one change of air an opening at
    most. Food stands still within the step, as in a whole one, and every flow is booked once.

    Parameters
    ----------
    before : Before
        Of all n cabinets.
    lids : Lids
        Likewise; cabinets with a `share` above 0 are looked at.
    sizes, now : Sizes, Effects
        What the cabinets are, and what faults make of them.
    line : HeatLine
        What evaporators take, against plate temperature.
    fan_w : (n,) float64
        Given off inside. [W]
    outside_c, vapour_kg_per_kg : (n,) float64
        Around. [°C], [kg/kg]
    step_s : float
        [s]

    Returns
    -------
    Opened
    """
    of: IntArray = np.flatnonzero(lids.share > 0.0)
    pick: Callable[[FloatArray], FloatArray] = lambda values: values[of]  # noqa: E731
    share, begins, vapour, outside = (
        pick(lids.share), pick(lids.begins), pick(vapour_kg_per_kg), pick(outside_c)
    )  # fmt: skip
    shut, surfaces = pick(lids.shut_w_per_k), pick(lids.open_w_per_k)
    draught, seal, fresh_kg = pick(now.draught_w_per_k), pick(now.seal_w_per_k), pick(before.fresh_kg)
    some = _Exchange(
        area_m2=pick(sizes.opening_m2),
        height_m=pick(sizes.opening_m),
        volume_m3=pick(sizes.volume_m3),
        passing_share=pick(sizes.passing_share),
        outside_kg_per_m3=density_kg_per_m3(outside, vapour),
    )
    own_line = HeatLine(pick(line.at_zero_w), pick(line.w_per_k))
    constant = Paths(
        walls_w_per_k=pick(now.walls_w_per_k),
        leak_w_per_k=seal,
        plate_w_per_k=seal,
        food_w_per_k=pick(sizes.food_w_per_k),
        fresh_w_per_k=pick(sizes.fresh_w_per_kg_k) * fresh_kg,
        air_j_per_k=pick(sizes.air_j_per_k),
        plate_j_per_k=pick(sizes.plate_j_per_k),
    )
    plain_w_per_k, frost_scale_kg = pick(now.plate_w_per_k), pick(sizes.frost_scale_kg)
    frost_ratio, fan, food_c, fresh_c = (
        pick(now.frost_ratio), pick(fan_w), pick(before.food_c), pick(before.fresh_c)
    )  # fmt: skip
    aired = np.where(begins > 0.0, 0.0, pick(before.aired_share))
    none = np.zeros(of.size)
    got = Opened(
        of, pick(before.air_c), pick(before.plate_c), pick(before.frost_kg), aired,
        none, none, none, none, none, none,
    )  # fmt: skip
    for length_s, is_open in _parts(begins, share, step_s):
        moving = shut
        if is_open:
            path, got.aired_share = some.w_per_k(got, length_s)
            moving = shut + surfaces + path
        got.frost_kg, moisture_w = frost_after(
            got.frost_kg,
            plate_c=got.plate_c,
            leak_w_per_k=moving + draught,
            vapour_kg_per_kg=vapour,
            growth_ratio=frost_ratio,
            step_s=length_s,
        )
        nodes = nodes_after(
            got.air_c, got.plate_c, food_c, fresh_c,
            outside_c=outside,
            paths=Paths(
                **vars(constant)
                | {
                    "leak_w_per_k": seal + moving,
                    "plate_w_per_k": plain_w_per_k * np.exp(-got.frost_kg / frost_scale_kg),
                }
            ),
            line=own_line,
            fan_w=fan,
            moisture_w=moisture_w,
            step_s=length_s,
        )  # fmt: skip
        got.air_c, got.plate_c = nodes.air_c, nodes.plate_c
        got.to_food_j = got.to_food_j + nodes.to_food_j
        got.to_fresh_j = got.to_fresh_j + nodes.to_fresh_j
        got.removed_j = got.removed_j + nodes.removed_w * length_s
        got.entered_j = got.entered_j + nodes.entered_j
        if is_open:
            got.top_c = nodes.air_c
    closes = begins + share < 1.0 - SMALL
    got.top_c = np.where(closes, got.top_c, np.nan)
    got.top_at = np.where(closes, begins + share, np.nan)
    got.aired_share = np.where(closes, 0.0, got.aired_share)
    return got


@dataclass(frozen=True)
class _Exchange:
    """Openings through which air changes places."""

    area_m2: FloatArray
    height_m: FloatArray
    volume_m3: FloatArray
    passing_share: FloatArray
    outside_kg_per_m3: FloatArray

    def w_per_k(self, got: Opened, length_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return exchanged air as a heat path, and the share of one change of air that has passed."""
        inside = density_kg_per_m3(got.air_c, saturated_quickly_kg_per_kg(got.plate_c))
        flow = doorway_m3_per_s(
            area_m2=self.area_m2,
            height_m=self.height_m,
            inside_kg_per_m3=inside,
            outside_kg_per_m3=self.outside_kg_per_m3,
        )
        passed = np.minimum(flow * length_s / self.volume_m3, 1.0 - got.aired_share)
        path = passed * self.passing_share * self.volume_m3 * inside * AIR_J_PER_KG_K / length_s
        return path, got.aired_share + passed
