"""The limits a unit or a batch is held to: the strictest of the rules chosen for it, each with its source."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from services.analytics.food.rulebook.catalog import DEFAULT_RULES, RULES
from services.analytics.food.rulebook.clause import FROZEN, RuleSet
from services.analytics.food.rulebook.eu_quick_frozen import BRIEF_C, BRIEF_MIN
from services.analytics.food.rulebook.eu_quick_frozen import RULES as QUICK_FROZEN
from services.analytics.food.rulebook.medicine import DRINKS_RULE, LINES
from services.domain import FoodClass, HouseRules, UnitSettings
from services.errors import ConfigurationError

FRIDGE_STRICTEST_C = 4.0
FREEZER_STRICTEST_C = -18.0
"""Unknown content takes the strictest class of its kind (this project's decision)."""
HOLD_MIN = 120.0
DISCARD_MIN = 240.0
"""Cumulative minutes. FSANZ 2-hour/4-hour rule (Standard 3.2.2): under 2 h back to the fridge, 2-4 h
use now, over 4 h throw away; exactly on a limit counts as reached (this project's decision)."""
HOT_HOLD_MIN = 60.0
HOT_AIR_C = 90.0 / 1.8 - 32.0 / 1.8
"""USDA FSIS: 1 h instead of 2 h where the air around the food is above 90 °F (32.2 °C)."""
FREEZER_MARKS_C = (-18.0, -15.0, -12.0, -5.0, 0.0)
"""Minutes above each are shown apart for freezers, without a verdict."""
FROZEN_LADDER = (
    "this project's decision: frozen limits end in hold, after 120 min in all; no document gives a time"
)
MOVING = frozenset(("vehicle", "trailer"))
"""Sites whose units are in transport or local distribution."""

Cap = Literal["watch", "hold", "discard_advised"]


@dataclass(frozen=True, slots=True)
class Limit:
    """One temperature a unit is held to, and what time beyond it leads to."""

    rule: str
    limit_c: float
    source: str
    below: bool = False
    """True where time under the limit counts."""
    frozen: bool = False
    hold_min: float = HOLD_MIN
    hot_hold_min: float = HOT_HOLD_MIN
    discard_min: float | None = DISCARD_MIN
    hot_discard_min: float | None = DISCARD_MIN
    cap: Cap = "discard_advised"
    words: str = ""
    """What is added to the reason when the limit was passed."""
    law: bool = True
    """False where no law asks for this temperature: whether it was kept is then not said."""
    lawful_min: float = 0.0
    """Minutes beyond it that the law itself allows."""
    guard: bool = False
    """True for the second line, a sensor's error inside a limit."""
    at_counts: bool = False
    """True where a reading on the limit counts as beyond it."""
    ladder_source: str = ""
    """Where the minutes to hold and discard come from."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Every limit of one unit, and what had to be assumed to name them."""

    limits: tuple[Limit, ...]
    assumed: tuple[str, ...]

    @property
    def food_limit_c(self) -> float:
        """The lowest upper limit: the one that decides, in °C."""
        return min(limit.limit_c for limit in self.limits if not limit.below and not limit.guard)


def limits_of(settings: UnitSettings) -> Limits:
    """Return the limits a unit is held to: per rule the lowest of its food classes.

    Raises
    ------
    ConfigurationError
        If a rule name is not known.
    """
    food, site = settings.unit.food, settings.site
    return limits_for(
        settings.rules,
        settings.house_rules,
        settings.classes,
        freezer=settings.unit.kind == "freezer",
        moving=site is not None and site.kind in MOVING,
        vulnerable=food.vulnerable_guests,
        brief_min=food.brief_min,
        error_k=settings.unit.sensor.error_k,
    )


def limits_for(
    rules: Sequence[str],
    house_rules: Sequence[HouseRules],
    classes: Sequence[FoodClass],
    *,
    freezer: bool,
    moving: bool,
    vulnerable: bool,
    brief_min: float | None = None,
    error_k: float | None = None,
) -> Limits:
    """Return the limits food of some classes is held to under some rules.

    Parameters
    ----------
    rules : sequence of str
        Names of published rule sets and of the operator's own; the base of an own set always counts.
    house_rules : sequence of HouseRules
        The operator's own sets; where one is looser than its base, the base stands.
    classes : sequence of str
        What is held; of several the lowest upper and the highest lower limit stand.
    freezer : bool
        Whether it is kept as frozen food.
    moving : bool
        Whether it is in transport or local distribution (vehicle, trailer).
    vulnerable : bool
        Whether children, pregnant, elderly or ill people eat from it: discard is advised where
        others are told to hold.
    brief_min : float, optional
        How long "brief" is for quick-frozen food in transport; None: 60. [min]
    error_k : float, optional
        Largest error of the sensor's class: adds a second line that much inside each limit. [K]

    Raises
    ------
    ConfigurationError
        If a rule name is not known.
    """
    own = {house.name: house for house in house_rules}
    sets = _sets(rules, own)
    special = [c for c in classes if c in {"drinks", "medicine"}]
    foods = [_as_kept(c, freezer=freezer) for c in classes if c not in special]
    limits: list[Limit] = []
    assumed: list[str] = []
    for chosen in sets:
        limits += _rule_limits(chosen, foods, freezer=freezer)
    uncovered = [c for c in foods if c != "unknown" and not any(c in s.limits_c for s in sets)]
    if uncovered:
        limits += _rule_limits(RULES[DEFAULT_RULES], uncovered, freezer=freezer)
        assumed.append(f"{DEFAULT_RULES} for {', '.join(uncovered)}: the chosen rules give no number")
    if any(s.name == QUICK_FROZEN.name for s in sets):
        declared = moving and "unknown" not in foods
        limits, words = _in_transport(limits, moving=declared, brief_min=brief_min)
        assumed += words
    for name in dict.fromkeys(name for name in rules if name in own):
        limits += _house_limits(own[name], foods, tuple(limits))
    if vulnerable:
        limits = [_for_vulnerable(limit) for limit in limits]
    if "medicine" in special:
        limits += _MEDICINE
    if not limits:
        limits.append(_DRINKS)
    limits.sort(key=lambda limit: not limit.frozen)
    if error_k is not None:
        limits += [_guard(limit, error_k) for limit in _strictest(limits)]
    return Limits(tuple(dict.fromkeys(limits)), tuple(assumed))


def house_faults(house: HouseRules) -> Iterator[tuple[tuple[str, ...], str]]:
    """Yield where an operator's own set is looser than its base, or not to be understood: key and words."""
    if house.name in RULES:
        yield ("name",), f"{house.name!r} is the name of a published rule set"
    base = RULES.get(house.base)
    if base is None:
        yield ("base",), f"no rule set named {house.base!r}; known are {', '.join(sorted(RULES))}"
        return
    for food_class, limit_c in house.limits_c.items():
        row = base if food_class in base.limits_c else RULES[DEFAULT_RULES]
        published_c = row.limits_c.get(food_class)
        if published_c is None:
            yield ("limits_c", food_class), f"no published limit for {food_class} to tighten"
        elif limit_c > published_c:
            told = f"{limit_c:g} °C is looser than {round(published_c, 2):g} °C of {row.name}"
            yield ("limits_c", food_class), f"{told}; own rules may only be tighter"
    for key, minutes, most in (
        ("hold_min", house.hold_min, base.hold_min),
        ("discard_min", house.discard_min, base.discard_min),
    ):
        if minutes is not None and minutes > most:
            yield (
                (key,),
                f"{minutes:g} min is looser than {most:g} min of {base.name}; own rules may only be tighter",
            )
    if house.hold_min is not None and house.discard_min is not None and house.hold_min > house.discard_min:
        yield ("hold_min",), "must not lie above discard_min"


def _sets(rules: Sequence[str], own: dict[str, HouseRules]) -> list[RuleSet]:
    """Return the published sets behind the names, each once."""
    names = [own[name].base if name in own else name for name in rules]
    unknown = [name for name in names if name not in RULES]
    if unknown:
        known = ", ".join(sorted((*RULES, *own)))
        raise ConfigurationError(f"no rule named {unknown[0]!r}; known are {known}", setting="food.rules")
    return [RULES[name] for name in dict.fromkeys(names)]


def _as_kept(food_class: FoodClass, *, freezer: bool) -> FoodClass:
    """Return the class whose row applies: chilled food in a freezer is kept as frozen food."""
    if not freezer or food_class in FROZEN or food_class == "unknown":
        return food_class
    return "frozen_fish" if food_class == "fish" else "frozen_other"


@dataclass(frozen=True, slots=True)
class _Row:
    """A number on its way to a limit."""

    limit_c: float
    source: str
    frozen: bool


def _rule_limits(rules: RuleSet, foods: Sequence[FoodClass], *, freezer: bool) -> list[Limit]:
    numbers = rules.limits_c
    rows = [_Row(numbers[c], rules.source_of(c), c in FROZEN) for c in foods if c in numbers]
    if "unknown" in foods:
        rows.append(_unknown_row(rules, freezer=freezer))
    frozen = sorted((row for row in rows if row.frozen), key=lambda row: row.limit_c)
    chilled = [row for row in rows if not row.frozen]
    found = [_frozen_limit(rules, row) for row in frozen[:1]]
    if any(c in FROZEN for c in foods) or frozen:
        chilled += _once_thawed(rules, foods, frozen)
    chilled.sort(key=lambda row: row.limit_c)
    return found + [_chilled_limit(rules, row) for row in chilled[:1]]


def _once_thawed(rules: RuleSet, foods: Sequence[FoodClass], frozen: Sequence[_Row]) -> list[_Row]:
    """Return the chilled limit of what was frozen; none where the document has no such number."""
    fishy = "frozen_fish" in foods or any(row.limit_c <= FREEZER_STRICTEST_C for row in frozen)
    thawed_c = rules.limits_c.get("fish" if fishy else "other_chilled", rules.limits_c.get("other_chilled"))
    if thawed_c is None:
        return []
    return [
        _Row(
            thawed_c, f"{rules.document}: once thawed, frozen food is held to the chilled limit", frozen=False
        )
    ]


def _unknown_row(rules: RuleSet, *, freezer: bool) -> _Row:
    kind = "freezer" if freezer else "fridge"
    strictest = FREEZER_STRICTEST_C if freezer else FRIDGE_STRICTEST_C
    same_kind = [v for c, v in rules.limits_c.items() if (c in FROZEN) == freezer]
    words = f"content not given: strictest class of a {kind}; {rules.document}"
    return _Row(min([*same_kind, strictest]), words, frozen=freezer)


def _frozen_limit(rules: RuleSet, row: _Row) -> Limit:
    return Limit(
        rule=rules.name,
        limit_c=row.limit_c,
        source=row.source,
        frozen=True,
        discard_min=None,
        hot_discard_min=None,
        cap="hold",
        words="not sellable as frozen",
        ladder_source=FROZEN_LADDER,
    )


def _chilled_limit(rules: RuleSet, row: _Row) -> Limit:
    return Limit(
        rule=rules.name,
        limit_c=row.limit_c,
        source=row.source,
        hold_min=rules.hold_min,
        hot_hold_min=rules.hot_hold_min,
        discard_min=rules.discard_min,
        hot_discard_min=rules.hot_discard_min,
        ladder_source=rules.ladder_source,
    )


def _in_transport(
    limits: Sequence[Limit], *, moving: bool, brief_min: float | None
) -> tuple[list[Limit], list[str]]:
    """Return the limits with the brief exception of quick-frozen food, which exists on the road only."""
    found: list[Limit] = []
    brief = BRIEF_MIN if brief_min is None else brief_min
    used = False
    for limit in limits:
        if not (moving and limit.frozen and limit.rule == QUICK_FROZEN.name):
            found.append(limit)
            continue
        used = True
        words = f"brief means {brief:g} min in all here: the operator's choice, no document gives a number"
        found.append(
            replace(
                limit,
                lawful_min=brief,
                hold_min=min(limit.hold_min, brief),
                hot_hold_min=min(limit.hot_hold_min, brief),
                source=f"{limit.source}; in transport brief periods up to {BRIEF_C:g} °C; {words}",
            )
        )
        clause = next(row for row in QUICK_FROZEN.clauses if row.limit == BRIEF_C)
        found.append(replace(limit, limit_c=BRIEF_C, source=QUICK_FROZEN.source(clause)))
    words = f"brief warming of quick-frozen food in transport: {brief:g} min, no document gives a number"
    return found, [words] if used and brief_min is None else []


def _house_limits(house: HouseRules, foods: Sequence[FoodClass], published: Sequence[Limit]) -> list[Limit]:
    """Return what an operator's own set adds: one frozen and one chilled line, where they are tighter."""
    found: list[Limit] = []
    for frozen in (True, False):
        lines = [x for x in published if x.frozen == frozen and x.rule in {house.base, DEFAULT_RULES}]
        if not lines:
            continue
        base = min(lines, key=lambda x: x.limit_c)
        own_c = [c for name, c in house.limits_c.items() if (name in FROZEN) == frozen and name in foods]
        tight = replace(
            base,
            limit_c=min([base.limit_c, *own_c]),
            hold_min=_least(base.hold_min, house.hold_min),
            hot_hold_min=_least(base.hot_hold_min, house.hold_min),
            discard_min=None if base.discard_min is None else _least(base.discard_min, house.discard_min),
            hot_discard_min=(
                None if base.hot_discard_min is None else _least(base.hot_discard_min, house.discard_min)
            ),
        )
        if tight != base:
            said = f", said by {house.said_by}" if house.said_by else ""
            words = f"the operator's own rule{said}, tighter than {base.source}"
            found.append(
                replace(tight, rule=house.name, law=False, lawful_min=0.0, source=words, ladder_source=words)
            )
    return found


def _least(published: float, own: float | None) -> float:
    return published if own is None else min(published, own)


def _for_vulnerable(limit: Limit) -> Limit:
    """Return the limit without the time in which others may still use the food up."""
    if limit.discard_min is None or limit.hot_discard_min is None:
        return limit
    return replace(
        limit,
        discard_min=min(limit.discard_min, limit.hold_min),
        hot_discard_min=min(limit.hot_discard_min, limit.hot_hold_min),
        words=limit.words or f"vulnerable guests: discard at {limit.hold_min:g} min",
        ladder_source=f"{limit.ladder_source}; vulnerable guests: discard where others hold (our decision)",
    )


def _strictest(limits: Sequence[Limit]) -> list[Limit]:
    """Return the limit that is reached first on each side, of chilled and of frozen food."""
    found: dict[tuple[bool, bool], Limit] = {}
    for limit in limits:
        side = (limit.below, limit.frozen)
        best = found.get(side)
        if limit.cap != "watch" and (
            best is None or (limit.limit_c > best.limit_c if limit.below else limit.limit_c < best.limit_c)
        ):
            found[side] = limit
    return list(found.values())


def _guard(limit: Limit, error_k: float) -> Limit:
    """Return the line a sensor's error inside a limit, which raises at most watch."""
    return replace(
        limit,
        rule=f"{limit.rule}, {error_k:g} K inside",
        limit_c=limit.limit_c + (error_k if limit.below else -error_k),
        cap="watch",
        law=False,
        guard=True,
        at_counts=False,
        words=f"within the sensor's error of {error_k:g} K of the limit {round(limit.limit_c, 2):g} °C",
        source=f"{limit.source}; less the sensor's largest error, {error_k:g} K (unit settings)",
        ladder_source="a second line inside the limit raises at most watch (this project's decision)",
    )


_MEDICINE = [
    Limit(
        rule=line.rule,
        limit_c=line.clause.limit,
        source=line.source,
        below=line.below,
        hold_min=line.hold_min,
        hot_hold_min=line.hold_min,
        discard_min=None,
        hot_discard_min=None,
        cap="hold",
        words=line.words,
        law=line.rule == "medicine-2-8",
        at_counts=line.at_counts,
        ladder_source=line.source,
    )
    for line in LINES
]

_DRINKS = Limit(
    rule=DRINKS_RULE,
    limit_c=5.0,
    source="no food-safety limit for drinks; 5 °C is this project's mark for cold (no source)",
    discard_min=None,
    hot_discard_min=None,
    cap="watch",
    words="drinks only: a matter of taste",
    law=False,
    ladder_source="drinks raise at most watch (this project's decision)",
)
