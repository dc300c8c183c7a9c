"""Temperature rules as data, each number with where it comes from, and the limits a unit is held to."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from services.domain import UnitSettings
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

Cap = Literal["watch", "hold", "discard_advised"]
FROZEN = frozenset({"frozen_fish", "ice_cream", "frozen_other"})
MEDICINE_RULE = "medicine-2-8"
DRINKS_RULE = "drinks"
DEFAULT_RULES = "za-r638-2018"


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


@dataclass(frozen=True, slots=True)
class RuleSet:
    """One document's limits by food class; a class it gives no number for is absent."""

    name: str
    document: str
    limits_c: dict[str, float]
    clauses: dict[str, str]
    """Where the number stands, by class; "" for all others."""
    hold_min: float = HOLD_MIN
    discard_min: float = DISCARD_MIN
    hot_hold_min: float = HOT_HOLD_MIN
    hot_discard_min: float = DISCARD_MIN

    def source_of(self, food_class: str) -> str:
        """Return document and clause of a class's number."""
        return f"{self.document}, {self.clauses.get(food_class, self.clauses[''])}"


_CHILLED = ("poultry", "fish", "offal", "milk", "mince", "red_meat", "game", "cooked", "other_chilled")


def _all_chilled(limit_c: float) -> dict[str, float]:
    return dict.fromkeys(_CHILLED, limit_c)


_SETS = (
    RuleSet(
        name="za-r638-2018",
        document="South Africa R638 of 22 June 2018, regulation 8 and Annexure E",
        limits_c=_all_chilled(5.0)
        | dict.fromkeys(("poultry", "fish", "offal", "milk"), 4.0)
        | {"frozen_fish": -18.0, "ice_cream": -18.0, "frozen_other": -12.0},
        clauses={
            "": "any other perishable food kept chilled: core not above +5 °C",
            **dict.fromkeys(
                ("poultry", "fish", "offal", "milk"),
                "raw fish, edible offal, poultry meat, milk: core not above +4 °C",
            ),
            # The copy read prints "≥" in the frozen rows; regulation 8(4)(a)(i) says the core must
            # not exceed the value, so the rows are read as "≤".
            **dict.fromkeys(("frozen_fish", "ice_cream"), "ice cream, frozen fish: core not above -18 °C"),
            "frozen_other": "any other food marketed as frozen: core not above -12 °C",
            "game": "any other perishable food kept chilled: core not above +5 °C; the exemption for "
            "venison is not used",
        },
    ),
    RuleSet(
        name="fda-food-code-2022",
        document="US FDA Food Code 2022",
        limits_c=_all_chilled(5.0),
        clauses={"": "3-501.16(A): cold holding at 5 °C (41 °F) or less (wording from memory)"},
    ),
    RuleSet(
        name="fsanz-3.2.2",
        document="FSANZ Food Standards Code, Standard 3.2.2",
        limits_c=_all_chilled(5.0),
        clauses={"": "clauses 6(2), 8(5), 10: at or below 5 °C; 2-hour/4-hour rule"},
    ),
    RuleSet(
        name="uk-8c",
        document="UK chill rule (SR 2006/3 Schedule 4 and sisters)",
        limits_c=_all_chilled(8.0),
        clauses={"": "at or below 8 °C; its single tolerance period is not used"},
    ),
    RuleSet(
        name="eu-853-2004",
        document="Regulation (EC) 853/2004, Annex III",
        limits_c={"red_meat": 7.0, "game": 4.0, "offal": 3.0, "poultry": 4.0, "mince": 2.0},
        clauses={
            "": "Section I Chapter VII: meat not above 7 °C",
            "offal": "Section I Chapter VII: offal not above 3 °C",
            "poultry": "Section II: poultry meat not above 4 °C",
            "game": "Section IV: small wild game not above 4 °C (clause from memory)",
            "mince": "Section V Chapter III 2(c): minced meat not above 2 °C",
        },
    ),
    RuleSet(
        name="fsis",
        document="USDA FSIS refrigeration charts",
        limits_c=_all_chilled(40.0 / 1.8 - 32.0 / 1.8),
        clauses={"": "perishables above 4.44 °C (40 °F) for over 2 h, over 1 h in air above 32.2 °C (90 °F)"},
        discard_min=120.0,
        hot_discard_min=60.0,
    ),
)
RULES: dict[str, RuleSet] = {rules.name: rules for rules in _SETS}
"""Every rule set by its name. Fish on melting ice (853/2004) and frozen food under the Food Code and
Standard 3.2.2 have no number there, so none is given here."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Every limit of one unit, and what had to be assumed to name them."""

    limits: tuple[Limit, ...]
    assumed: tuple[str, ...]

    @property
    def food_limit_c(self) -> float:
        """The lowest upper limit: the one that decides, in °C."""
        return min(limit.limit_c for limit in self.limits if not limit.below)


def limits_of(settings: UnitSettings) -> Limits:
    """Return the limits a unit is held to: per rule the lowest of its food classes.

    Raises
    ------
    ConfigurationError
        If a rule name is not known.
    """
    unknown = [name for name in settings.rules if name not in RULES]
    if unknown:
        known = ", ".join(sorted(RULES))
        raise ConfigurationError(f"no rule named {unknown[0]!r}; known are {known}", setting="food.rules")
    freezer = settings.unit.kind == "freezer"
    special = [c for c in settings.classes if c in {"drinks", "medicine"}]
    foods = [_as_kept(c, freezer=freezer) for c in settings.classes if c not in special]
    limits: list[Limit] = []
    assumed: list[str] = []
    for name in dict.fromkeys(settings.rules):
        limits += _rule_limits(RULES[name], foods, freezer=freezer)
    uncovered = [
        c for c in foods if c != "unknown" and not any(c in RULES[name].limits_c for name in settings.rules)
    ]
    if uncovered:
        limits += _rule_limits(RULES[DEFAULT_RULES], uncovered, freezer=freezer)
        assumed.append(f"{DEFAULT_RULES} for {', '.join(uncovered)}: the chosen rules give no number")
    if "medicine" in special:
        limits += _MEDICINE
    if not limits:
        limits.append(_drinks())
    return Limits(tuple(dict.fromkeys(limits)), tuple(assumed))


def _as_kept(food_class: str, *, freezer: bool) -> str:
    """Return the class whose row applies: chilled food in a freezer is kept as frozen food."""
    if not freezer or food_class in FROZEN or food_class == "unknown":
        return food_class
    return "frozen_fish" if food_class == "fish" else "frozen_other"


def _rule_limits(rules: RuleSet, foods: Sequence[str], *, freezer: bool) -> list[Limit]:
    rows = [(rules.limits_c[c], rules.source_of(c), c in FROZEN) for c in foods if c in rules.limits_c]
    if "unknown" in foods:
        rows.append(_unknown_row(rules, freezer=freezer))
    frozen = sorted(row for row in rows if row[2])
    chilled = sorted(row for row in rows if not row[2])
    found = [_limit(rules, *row) for row in frozen[:1]]
    if frozen:
        strict = frozen[0][0] <= FREEZER_STRICTEST_C
        thawed_c = rules.limits_c.get("fish" if strict else "other_chilled", 5.0)
        words = f"{rules.document}: once thawed, frozen food is held to the chilled limit"
        chilled = sorted([*chilled, (thawed_c, words, False)])
    return found + [_limit(rules, *row) for row in chilled[:1]]


def _unknown_row(rules: RuleSet, *, freezer: bool) -> tuple[float, str, bool]:
    kind = "freezer" if freezer else "fridge"
    strictest = FREEZER_STRICTEST_C if freezer else FRIDGE_STRICTEST_C
    same_kind = [v for c, v in rules.limits_c.items() if (c in FROZEN) == freezer]
    limit_c = min([*same_kind, strictest])
    return limit_c, f"content not given: strictest class of a {kind}; {rules.document}", freezer


def _limit(rules: RuleSet, limit_c: float, source: str, frozen: bool) -> Limit:  # noqa: FBT001 - a row's third field
    if frozen:
        return Limit(
            rule=rules.name,
            limit_c=limit_c,
            source=source,
            frozen=True,
            discard_min=None,
            hot_discard_min=None,
            cap="hold",
            words="not sellable as frozen",
        )
    return Limit(
        rule=rules.name,
        limit_c=limit_c,
        source=source,
        hold_min=rules.hold_min,
        hot_hold_min=rules.hot_hold_min,
        discard_min=rules.discard_min,
        hot_discard_min=rules.hot_discard_min,
    )


_ASK = "quarantine, keep at 2 to 8 °C, ask the pharmacist"
_LABEL = "2 to 8 °C as printed on the label (common practice, no source); 60 min is a judgement, no source"
_MEDICINE = [
    Limit(
        rule=MEDICINE_RULE,
        limit_c=limit_c,
        source=_LABEL,
        below=below,
        hold_min=60.0,
        discard_min=None,
        hot_discard_min=None,
        cap="hold",
        words=_ASK,
    )
    for limit_c, below in ((8.0, False), (2.0, True))
] + [
    Limit(
        rule=MEDICINE_RULE,
        limit_c=0.0,
        source="many medicines are ruined by freezing (common practice, no source)",
        below=True,
        hold_min=1.0,
        hot_hold_min=1.0,
        discard_min=None,
        hot_discard_min=None,
        cap="hold",
        words=f"may have frozen: {_ASK}",
    )
]


def _drinks() -> Limit:
    return Limit(
        rule=DRINKS_RULE,
        limit_c=5.0,
        source="no food-safety limit for drinks; 5 °C is this project's mark for cold (no source)",
        discard_min=None,
        hot_discard_min=None,
        cap="watch",
        words="drinks only: a matter of taste",
    )
