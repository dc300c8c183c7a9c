"""Machines beside machines like them: robust distances, their chance, and places or cables that stand out.

References
----------
Iglewicz, Hoaglin (1993), How to Detect and Handle Outliers, ASQC: distances from the middle in units of
1.4826 times the middle absolute distance (from memory). Benjamini, Hochberg (1995), J. R. Stat. Soc. B
57(1), 289-300: the line for many comparisons. Mann, Whitney (1947), Ann. Math. Stat. 18(1), 50-60.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import median
from typing import NamedTuple

import numpy as np
from scipy import stats

from services.analytics.service.fleetgroups import Group, groups_of, traits_of
from services.analytics.service.middles import DAYS
from services.domain import (
    Apart,
    ComparedName,
    ComparedNumber,
    Fleet,
    FleetComparison,
    Middle,
    StandsOut,
    Unit,
)
from services.telemetry import FloatArray

FALSE_SHARE = 0.1
"""Share of the units named that may be there by chance (judgement)."""
FALSE_SHARE_APART = 0.05
"""The same of places and kinds of cable: a word about a place is heard by people (judgement)."""
FEWEST_APART = 3
"""Units on each side before a place or a kind of cable is looked at (judgement)."""
LEAST_OUT = 3.0
"""In scatters: nearer than that nothing is named, however sure (Iglewicz and Hoaglin take 3.5)."""
LEAST_APART = 1.0
"""The same of a whole place (judgement)."""
MAD_TO_SD = 1.4826
"""Of a normal distribution: 1 / 0.6745."""
MAD_WORTH = 0.37
"""What the middle absolute distance is worth beside the standard deviation: its asymptotic efficiency."""


@dataclass(frozen=True)
class Compared:
    """How one number is compared."""

    worse: int
    """The side that costs cooling or charge: 1 above, -1 below."""
    least_share: float = 0.05
    """Least scatter that counts, of the middle (judgement): days of one sound unit scatter by 2 %."""
    least: float = 0.0
    """The same as it stands."""
    fixed_speed_only: bool = False


COMPARED: dict[ComparedName, Compared] = {
    "night_slope_per_k": Compared(1, fixed_speed_only=True),
    "capacity_ratio_k": Compared(-1),
    "warm_up_per_h": Compared(1),
    "path_share": Compared(1, least_share=0.1),
    "capacity_share": Compared(-1),
    "starts_per_h": Compared(1, least_share=0.1),
    "hours_run_a_day": Compared(1, fixed_speed_only=True),
    "always_on_share": Compared(1, least=0.05, fixed_speed_only=True),
    "cutouts_a_month": Compared(1, least=0.5),
}
"""A machine that turns slower to run longer is not compared by how long it runs."""


class Distance(NamedTuple):
    """One number of one unit, its group, middle and scatter of that, and how far out it lies."""

    unit: str
    name: ComparedName
    told: Middle
    group: Group
    middle: float
    scatter: float
    out: float


Told = dict[str, Middle]
"""By unit one number."""


def robust(values: FloatArray, *, least: float = 0.0) -> tuple[float, float]:
    """Return middle and scatter of some values.

    Parameters
    ----------
    values : (n,) float
        Of one group.
    least : float
        Least scatter that counts.
    """
    middle = float(np.median(values))
    return middle, max(least, MAD_TO_SD * float(np.median(np.abs(values - middle))))


def chance_of(out: FloatArray, count: FloatArray) -> FloatArray:
    """Return the chance of a distance at least as large on either side, where a group is sound.

    Parameters
    ----------
    out : (n,) float
        Robust distances.
    count : (n,) float
        Units in the group of each: its scatter is known from so few, hence Student's t with as many
        degrees of freedom as they are worth.
    """
    degrees = np.maximum(1.0, MAD_WORTH * (count - 1.0))
    return np.asarray(2.0 * stats.t.sf(np.abs(out), degrees), dtype=np.float64)


def compare(fleet: Fleet, middles: Mapping[str, Sequence[Middle]], today: date) -> FleetComparison:
    """Return every number of every unit beside those of units like it.

    Parameters
    ----------
    fleet : Fleet
        Sites, banks and units as described now.
    middles : mapping
        What the last weeks of each unit come to (see `middles_of`).
    today : date
        What ages are counted to.
    """
    sites = {site.id: site for site in fleet.sites}
    units = {unit.id: unit for unit in fleet.units if unit.state == "in_use"}
    traits = {key: traits_of(unit, sites.get(unit.site or ""), today) for key, unit in units.items()}
    told = _told(units, middles)
    distances: list[Distance] = []
    alike: dict[tuple[str, ...], Mapping[str, Group]] = {}  # most numbers are told by the same units
    for name, values in told.items():
        those = tuple(values)
        if those not in alike:
            alike[those] = groups_of(those, traits)
        distances += _distances(name, values, alike[those])
    rows = _lined(distances)
    apart, looked_at = _apart(units, distances)
    having = {unit for values in told.values() for unit in values}
    compared = {row.unit for row in rows}
    return FleetComparison(
        days=DAYS,
        units=len(units),
        rows=tuple(sorted(rows, key=lambda row: (not row.stands_out, -abs(row.out), row.unit, row.name))),
        apart=apart,
        apart_looked_at=looked_at,
        too_few_days=tuple(unit for unit in units if unit not in having),
        too_few_like=tuple(unit for unit in units if unit in having and unit not in compared),
    )


def _told(units: Mapping[str, Unit], middles: Mapping[str, Sequence[Middle]]) -> dict[ComparedName, Told]:
    """Return by number what each unit tells; a battery tells through the first of its units only."""
    found: dict[ComparedName, Told] = {name: {} for name in COMPARED}
    banks: set[str] = set()
    for key, unit in units.items():
        bank = unit.supply.bank
        for each in middles.get(key, ()):
            if COMPARED[each.name].fixed_speed_only and unit.compressor.variable_speed:
                continue
            if each.name == "capacity_share" and bank is not None:
                if bank in banks:
                    continue
                banks.add(bank)
            found[each.name][key] = each
    return found


def _distances(name: ComparedName, values: Told, groups: Mapping[str, Group]) -> Iterable[Distance]:
    how = COMPARED[name]
    scales: dict[int, tuple[float, float]] = {}
    for unit, group in groups.items():
        if id(group) not in scales:
            of = np.array([values[member].value for member in group.units])
            scales[id(group)] = robust(of, least=max(how.least, how.least_share * abs(float(np.median(of)))))
        middle, scatter = scales[id(group)]
        if scatter > 0:
            told = values[unit]
            out = (told.value - middle) / scatter
            yield Distance(unit, name, told, group, middle, scatter, out)


def _lined(found: Sequence[Distance]) -> list[ComparedNumber]:
    """Return distances with their chances and the line of Benjamini and Hochberg drawn over all of them."""
    if not found:
        return []
    chances = chance_of(
        np.array([each.out for each in found]), np.array([float(len(each.group.units)) for each in found])
    )
    lines = stats.false_discovery_control(chances)
    return [
        ComparedNumber(
            unit=each.unit,
            name=each.name,
            value=each.told.value,
            days=each.told.days,
            season=each.told.season,
            middle=each.middle,
            scatter=each.scatter,
            out=each.out,
            worse=each.out * COMPARED[each.name].worse > 0,
            p=p,
            line=line,
            stands_out=line <= FALSE_SHARE and abs(each.out) >= LEAST_OUT,
            like=each.group.like,
            of=len(each.group.units),
        )
        for each, p, line in zip(found, chances.tolist(), lines.tolist(), strict=True)
    ]


def _apart(units: Mapping[str, Unit], distances: Sequence[Distance]) -> tuple[tuple[StandsOut, ...], int]:
    """Return places and kinds of cable whose units lie out together, and how many comparisons were made.

    One side only, the worse one: nobody is sent to a place because its machines do well. What is not
    worse by `LEAST_APART` counts as a comparison with a chance of 1, which can only hide, not name.
    """
    found: list[StandsOut] = []
    for name, how in COMPARED.items():
        outs = {each.unit: each.out for each in distances if each.name == name}
        found += _sides("site", name, outs, lambda unit: units[unit].site, how)
        if name == "path_share":
            found += _sides("kit", name, outs, lambda unit: kit_of(units[unit]), how)
    if not found:
        return (), 0
    lines = stats.false_discovery_control([each.p for each in found]).tolist()
    kept = [
        each.model_copy(update={"line": line})
        for each, line in zip(found, lines, strict=True)
        if line <= FALSE_SHARE_APART and each.p < 1.0
    ]
    return tuple(sorted(kept, key=lambda each: (each.line, each.key))), len(found)


def kit_of(unit: Unit) -> str | None:
    """Return length and section of the cable of a unit as a word; None where the file does not tell both."""
    length_m, section_mm2 = unit.supply.cable_length_m, unit.supply.cable_mm2
    return None if length_m is None or section_mm2 is None else f"{length_m:g} m, {section_mm2:g} mm²"


def _sides(
    by: Apart,
    name: ComparedName,
    outs: Mapping[str, float],
    key_of: Callable[[str], str | None],
    how: Compared,
) -> Iterable[StandsOut]:
    sides: dict[str, list[float]] = {}
    for unit, out in outs.items():
        key = key_of(unit)
        if key is not None:
            sides.setdefault(key, []).append(out)
    everybody = [out for side in sides.values() for out in side]
    place = 0
    for key, here in sides.items():
        rest = everybody[:place] + everybody[place + len(here) :]
        place += len(here)
        if min(len(here), len(rest)) < FEWEST_APART:
            continue
        out = median(here) - median(rest)
        yield StandsOut(
            by=by,
            key=key,
            name=name,
            units=len(here),
            others=len(rest),
            out=out,
            p=_chance_apart(here, rest, how.worse) if out * how.worse >= LEAST_APART else 1.0,
            line=1.0,
        )


def _chance_apart(here: Sequence[float], rest: Sequence[float], worse: int) -> float:
    """Return the one-sided chance of ranks so far apart, where both sides are alike."""
    side = "greater" if worse > 0 else "less"
    return float(stats.mannwhitneyu(here, rest, alternative=side).pvalue)
