"""The limits a unit or a batch is held to: the strictest of the rules chosen for it, each with its source."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from services.analytics.food.house import house_limits
from services.analytics.food.limit import FREEZER_MARKS_C, Limit, Limits
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
FROZEN_LADDER = (
    "this project's decision: frozen limits end in hold, after 120 min in all; no document gives a time"
)
MOVING = frozenset(("vehicle", "trailer"))
"""Sites whose units are in transport or local distribution."""


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


def marks_of(settings: UnitSettings) -> tuple[Limit, ...]:
    """Return the temperatures whose minutes are shown apart, without a verdict."""
    if settings.unit.kind != "freezer":
        return ()
    return tuple(Limit("", mark, "information only, no rule") for mark in FREEZER_MARKS_C)


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
    sets = sets_of(rules, house_rules)
    special = [c for c in classes if c in {"drinks", "medicine"}]
    foods = [as_kept(c, freezer=freezer) for c in classes if c not in special]
    chilled = [c for c in classes if c not in special and c not in FROZEN] if freezer else []
    limits: list[Limit] = []
    assumed: list[str] = []
    for chosen in sets:
        limits += _rule_limits(chosen, foods, freezer=freezer, chilled=chilled)
    lacking = {s.name: [c for c in foods if c != "unknown" and c not in s.limits_c] for s in sets}
    uncovered = list(dict.fromkeys(c for found in lacking.values() for c in found))
    if uncovered:
        limits += _rule_limits(RULES[DEFAULT_RULES], uncovered, freezer=freezer, chilled=chilled)
        assumed += [
            f"{DEFAULT_RULES} for {', '.join(found)}: {name} gives no number"
            for name, found in lacking.items()
            if found
        ]
    thawless = [s.name for s in sets if not _has_thawed(_rule_limits(s, foods, freezer=freezer))]
    if thawless:
        default = _rule_limits(RULES[DEFAULT_RULES], foods, freezer=freezer, chilled=chilled)
        limits += [limit for limit in default if not limit.frozen]
        assumed += [f"{DEFAULT_RULES} for food once thawed: {name} gives no number" for name in thawless]
    if any(s.name == QUICK_FROZEN.name for s in sets):
        declared = moving and "unknown" not in foods
        limits, words = _in_transport(limits, moving=declared, brief_min=brief_min)
        assumed += words
    for name in dict.fromkeys(name for name in rules if name in own):
        limits += house_limits(own[name], foods, tuple(limits))
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


def sets_of(rules: Sequence[str], house_rules: Sequence[HouseRules]) -> list[RuleSet]:
    """Return the published sets behind the names, each once; the default where none is chosen.

    Raises
    ------
    ConfigurationError
        If a name is not known.
    """
    own = {house.name: house for house in house_rules}
    names = [own[name].base if name in own else name for name in rules]
    unknown = [name for name in names if name not in RULES]
    if unknown:
        known = ", ".join(sorted((*RULES, *own)))
        raise ConfigurationError(f"no rule named {unknown[0]!r}; known are {known}", setting="food.rules")
    return [RULES[name] for name in dict.fromkeys(names or [DEFAULT_RULES])]


def as_kept(food_class: FoodClass, *, freezer: bool) -> FoodClass:
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


def _rule_limits(
    rules: RuleSet, foods: Sequence[FoodClass], *, freezer: bool, chilled: Sequence[FoodClass] = ()
) -> list[Limit]:
    """Return the limits of one set; `chilled` is what lies in a freezer and has its own row once thawed."""
    numbers = rules.limits_c
    rows = [_Row(numbers[c], rules.source_of(c), c in FROZEN) for c in foods if c in numbers]
    if "unknown" in foods:
        rows.append(_unknown_row(rules, freezer=freezer))
    frozen = sorted((row for row in rows if row.frozen), key=lambda row: row.limit_c)
    cold = [row for row in rows if not row.frozen]
    found = [_frozen_limit(rules, row) for row in frozen[:1]]
    if any(c in FROZEN for c in foods) or frozen:
        cold += _once_thawed(rules, foods, frozen, chilled)
    cold.sort(key=lambda row: row.limit_c)
    return found + [_chilled_limit(rules, row) for row in cold[:1]]


def _once_thawed(
    rules: RuleSet, foods: Sequence[FoodClass], frozen: Sequence[_Row], chilled: Sequence[FoodClass]
) -> list[_Row]:
    """Return the chilled limits of what was frozen; none where the document has no such number."""
    fishy = "frozen_fish" in foods or any(row.limit_c <= FREEZER_STRICTEST_C for row in frozen)
    names: list[FoodClass] = ["fish" if fishy else "other_chilled", *chilled]
    numbers = [rules.limits_c.get(name) for name in names]
    numbers[0] = rules.limits_c.get("other_chilled") if numbers[0] is None else numbers[0]
    words = f"{rules.document}: once thawed, frozen food is held to the chilled limit"
    rows = [_Row(number, words, frozen=False) for number in numbers if number is not None]
    if "unknown" in foods:
        rows = [replace(row, limit_c=min(row.limit_c, FRIDGE_STRICTEST_C)) for row in rows]
    return rows


def _has_thawed(limits: Sequence[Limit]) -> bool:
    """Return whether frozen food has a limit for when it is thawed; only that one leads to discard."""
    return not any(limit.frozen for limit in limits) or any(not limit.frozen for limit in limits)


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
        lawful_min=rules.lawful_min,
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
