"""Which machines are alike: groups from narrow to wide, the narrowest one that is large enough."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from services.domain import LikeBy, Site, Unit

FEWEST_LIKE = 4
"""Fewer have no middle worth the name (judgement)."""
VOLUMES_L = (30.0, 60.0, 120.0)
AGES_Y = (2, 5)
"""Edges of the classes (judgement): a day box, a vehicle's, a camp's, a chest; new, run in, old."""
LADDER: tuple[tuple[LikeBy, ...], ...] = (
    ("kind", "speed", "volume", "place", "model", "age"),
    ("kind", "speed", "volume", "place", "model"),
    ("kind", "speed", "volume", "model"),
    ("kind", "speed", "volume", "place"),
    ("kind", "speed", "volume"),
    ("kind", "speed"),
)
"""What a group has in common, the narrowest first (judgement): fridges are never compared with freezers."""
_YEAR_D = 365.25

Key = tuple[str | None, ...]


@dataclass(frozen=True)
class Group:
    """Units alike."""

    like: dict[LikeBy, str]
    units: tuple[str, ...]


def traits_of(unit: Unit, site: Site | None, today: date) -> dict[LikeBy, str]:
    """Return what is described of a unit; what is not is left out."""
    found: dict[LikeBy, str] = {
        "kind": unit.kind,
        "speed": "variable" if unit.compressor.variable_speed else "fixed",
    }
    if unit.model is not None:
        found["model"] = unit.model
    if unit.volume_l is not None:
        found["volume"] = _class(unit.volume_l, VOLUMES_L, "l")
    if unit.installed is not None:
        found["age"] = _class((today - unit.installed).days / _YEAR_D, AGES_Y, "y")
    if site is not None:
        found["place"] = site.kind
    return found


def _class(value: float, edges: Sequence[float], unit: str) -> str:
    """Return the class of a value as ``low-high unit``; the last one is open."""
    low = max((edge for edge in edges if value >= edge), default=0)
    high = min((edge for edge in edges if value < edge), default=None)
    return f"{low:g}+ {unit}" if high is None else f"{low:g}-{high:g} {unit}"


def groups_of(units: Collection[str], traits: Mapping[str, Mapping[LikeBy, str]]) -> dict[str, Group]:
    """Return for each unit the narrowest group of those with `FEWEST_LIKE` units; none where there is none.

    Parameters
    ----------
    units : collection of str
        Units that tell the number.
    traits : mapping
        What is described of each.
    """
    found: dict[str, Group] = {}
    for rung in LADDER:
        for like, members in _alike(units, traits, rung):
            group = Group(like, tuple(members))
            if len(members) >= FEWEST_LIKE:
                for unit in members:
                    found.setdefault(unit, group)
    return found


def _alike(
    units: Iterable[str], traits: Mapping[str, Mapping[LikeBy, str]], rung: Sequence[LikeBy]
) -> Iterable[tuple[dict[LikeBy, str], list[str]]]:
    together: dict[Key, list[str]] = {}
    for unit in units:
        together.setdefault(tuple(traits[unit].get(by) for by in rung), []).append(unit)
    for key, members in together.items():
        yield {by: word for by, word in zip(rung, key, strict=True) if word is not None}, members
