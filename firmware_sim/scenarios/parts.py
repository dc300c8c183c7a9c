"""Cuts a scenario into parts that know nothing of each other: they share no site, bank or machine."""

from collections.abc import Iterable
from dataclasses import replace

from firmware_sim.scenarios.joined import Scenario


def groups(scenario: Scenario, *, by_site: bool = True) -> list[list[int]]:
    """Return the units that hang together by site, bank, machine or exchanged boards, as indices in order.

    Without `by_site` those at one site may be apart.
    """
    root = list(range(len(scenario.units)))

    def head(i: int) -> int:
        while root[i] != i:
            root[i] = root[root[i]]
            i = root[i]
        return i

    first: dict[tuple[str, str], int] = {}
    index = {unit: i for i, unit in enumerate(scenario.unit_ids)}
    for i, (unit, _) in enumerate(scenario.units):
        ties = [("unit", unit.id), ("unit", unit.compressor.shared_with or unit.id)]
        if by_site:
            ties.append(("site", unit.site))
        if unit.supply.bank is not None:
            ties.append(("bank", unit.supply.bank))
        for tie in ties:
            other = first.setdefault(tie, i if tie[0] != "unit" else index.get(tie[1], i))
            low, high = sorted((head(i), head(other)))
            root[high] = low
    for fault in scenario.faults:
        if fault.other in index and fault.unit in index:
            low, high = sorted((head(index[fault.unit]), head(index[fault.other])))
            root[high] = low
    found: dict[int, list[int]] = {}
    for i in range(len(root)):
        found.setdefault(head(i), []).append(i)
    return list(found.values())


def part_of(scenario: Scenario, units: Iterable[int]) -> Scenario:
    """Return some units with all they need; the same chance befalls them as in the whole."""
    chosen = sorted(units)
    kept = tuple(scenario.units[i] for i in chosen)
    ids = {unit.id for unit, _ in kept}
    site_ids = {unit.site for unit, _ in kept}
    bank_ids = {unit.supply.bank for unit, _ in kept} - {None}
    sites = [k for k, (site, _) in enumerate(scenario.sites) if site.id in site_ids]
    return replace(
        scenario,
        sites=tuple(scenario.sites[k] for k in sites),
        banks=tuple(pair for pair in scenario.banks if pair[0].id in bank_ids),
        units=kept,
        faults=tuple(fault for fault in scenario.faults if fault.unit in ids or fault.bank in bank_ids),
        numbers={
            "site": tuple(scenario.number("site", k) for k in sites),
            "unit": tuple(scenario.number("unit", i) for i in chosen),
        },
    )


def parts(scenario: Scenario, most: int) -> list[Scenario]:
    """Return the scenario in parts of about `most` units at most, groups kept whole."""
    packed: list[list[int]] = []
    for group in groups(scenario):
        if not packed or len(packed[-1]) + len(group) > most:
            packed.append([])
        packed[-1] += group
    return [scenario] if len(packed) == 1 else [part_of(scenario, units) for units in packed]
