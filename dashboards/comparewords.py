"""Machines beside machines like them, in words."""

from collections.abc import Callable, Mapping
from typing import NamedTuple

from dashboards import text
from dashboards.healthwords import shown_as
from dashboards.language import Phrase, Table, _, ngettext
from services.domain import ComparedName, ComparedNumber, Fleet, LikeBy, StandsOut

WIDTH, HEIGHT = 200.0, 16.0
_IN_THE_MIDDLE = 0.05
_REACH = 8.0
"""Spreads from the middle to the edge of the strip; further out is drawn at the edge."""


class Row(NamedTuple):
    """One number of one unit."""

    unit: str
    name: str
    place: str
    number: str
    value: str
    middle: str
    season: str | None
    """Over the longer span, where that holds more days."""
    out: str
    side: str
    """Whether that is worse or better; empty in the middle."""
    stands_out: bool
    group: str
    dot: float


class ApartRow(NamedTuple):
    """A place or a kind of cable that stands out."""

    title: str
    words: str
    could_be: str


def _times(value: float) -> str:
    return _("%(times)s times a sound one", times=text.number(value, 2))


def _hours_a_day(value: float) -> str:
    return _("%(hours)s h a day", hours=text.number(value))


def _stops(value: float) -> str:
    return _("%(stops)s in 30 days", stops=text.number(value, 0 if value == round(value) else 1))


_OWN: dict[str, tuple[Phrase, Callable[[float], str]]] = {
    "path_share": (Phrase("Way from the battery"), _times),
    "capacity_share": (Phrase("Held of the battery's label"), text.share),
    "hours_run_a_day": (Phrase("Hours run a day"), _hours_a_day),
    "always_on_share": (Phrase("Days on which it hardly stopped"), text.share),
    "cutouts_a_month": (Phrase("Cut-outs"), _stops),
}
_COULD_BE: Table[ComparedName] = Table(
    {
        "night_slope_per_k": "heat in the niche, dust on the road, worn seals, one way of loading",
        "capacity_ratio_k": "heat in the niche, dust on the road, one batch of machines",
        "warm_up_per_h": "worn seals, lids often open, sun on the cabinet",
        "path_share": "cable thinner or longer than described, joints, a feed or a fuse they share",
        "capacity_share": "heat at the batteries, one charger that ends too early, batteries of one age",
        "starts_per_h": "a thermostat set too close, lids often open",
        "hours_run_a_day": "hot surroundings, lids often open, a lot of warm goods",
        "always_on_share": "hot surroundings, warm goods, a set point they cannot reach",
        "cutouts_a_month": "long stands without charging, a battery they share, cable and joints, a charger",
    }
)
_LIKE: Table[str] = Table({"fixed": "fixed speed", "variable": "variable speed"})


def _named(name: ComparedName) -> tuple[str, Callable[[float], str]]:
    if name in _OWN:
        return str(_OWN[name][0]), _OWN[name][1]
    return shown_as(name)


def like_words(like: Mapping[LikeBy, str], of: int) -> str:
    """Return what a group has in common, and how many units it holds."""
    parts = [_trait(by, word) for by, word in like.items()]
    count = ngettext("%(num)s unit", "%(num)s units", of)
    return f"{', '.join(parts)}: {count}"


def _trait(by: LikeBy, word: str) -> str:
    if by == "speed":
        return _LIKE[word]
    if by == "age":
        return _("%(years)s years old", years=word.removesuffix(" y").replace("-", "\N{EN DASH}"))
    if by == "volume":
        return word.replace("-", "\N{EN DASH}")
    return word if by == "model" else text.plain(word)


def row_of(row: ComparedNumber, names: Mapping[str, tuple[str, str]]) -> Row:
    """Return one comparison in words; `names` tells name and place of each unit."""
    number, words = _named(row.name)
    name, place = names[row.unit]
    spreads = text.number(abs(row.out))
    side = _("worse") if row.worse else _("better")
    if abs(row.out) < _IN_THE_MIDDLE:
        side, out = "", _("in the middle")
    elif row.out > 0:
        out = _("%(side)s: %(spreads)s spreads above the middle", side=side, spreads=spreads)
    else:
        out = _("%(side)s: %(spreads)s spreads below the middle", side=side, spreads=spreads)
    reached = max(-_REACH, min(_REACH, row.out))
    return Row(
        unit=row.unit,
        name=name,
        place=place,
        number=number,
        value=words(row.value),
        middle=words(row.middle),
        season=None if row.season is None else words(row.season),
        out=out,
        side=side,
        stands_out=row.stands_out,
        group=like_words(row.like, row.of),
        dot=round(WIDTH / 2 * (1 + reached / (_REACH + 0.5)), 1),
    )


def apart_row(found: StandsOut, fleet: Fleet) -> ApartRow:
    """Return a place or a kind of cable that stands out in words."""
    sites = {site.id: site.name for site in fleet.sites}
    key = sites.get(found.key, found.key) if found.by == "site" else _("Cable %(kit)s", kit=found.key)
    number, _words = _named(found.name)
    words = _(
        "%(here)s units beside %(others)s others, %(spreads)s spreads to the worse side.",
        here=found.units,
        others=found.others,
        spreads=text.number(abs(found.out)),
    )
    return ApartRow(f"{key}: {number}", words, _COULD_BE[found.name])
