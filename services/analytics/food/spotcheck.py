"""One probe in one piece of food against every rule chosen: core and surface, as the law asks."""

from collections.abc import Iterable, Sequence

from services.analytics.food.batches import AT_START_MS, HOT_START_C
from services.analytics.food.batchlimits import THAWED
from services.analytics.food.cooling import COOLED_C
from services.analytics.food.rulebook.catalog import DEFAULT_RULES, RULES
from services.analytics.food.rulebook.clause import FROZEN, Clause, RuleSet
from services.analytics.food.rulebook.eu_quick_frozen import BRIEF_C
from services.analytics.food.rulebook.eu_quick_frozen import RULES as QUICK_FROZEN
from services.analytics.food.rules import MOVING, as_kept, sets_of
from services.analytics.food.verdicts import degrees
from services.domain import (
    TIME_CONTROL_RULES,
    CoreReading,
    Evidence,
    FoodClass,
    Life,
    SpotCheck,
    UnitSettings,
)


def spot_check(
    rules: Sequence[str], classes: Sequence[FoodClass], reading: CoreReading, *, moving: bool = False
) -> tuple[SpotCheck, ...]:
    """Return each document's answer for readings in the core and on the surface.

    Parameters
    ----------
    rules : sequence of str
        Names of published rule sets; those without a number for any of the classes are left out.
    classes : sequence of str
        What it may be, as it is kept now; where documents differ between them the answer is unknown.
    reading : CoreReading
        When it was measured and what the probe showed in the core and, maybe, on the surface. [°C]
    moving : bool
        Whether it is in transport or local distribution, where quick-frozen food may be warmer briefly.

    References
    ----------
    .. [1] South Africa R638 of 2018, regulation 8(4)(a)(ii), read in a copy: not to be sold where the
       core is above its limit, or the surface more than 2 °C above it.
    """
    found = []
    for name in rules:
        answers = [
            (_answer(RULES[name], row, food_class, reading, moving=moving), row.limit, food_class)
            for food_class in dict.fromkeys(classes)
            if (row := RULES[name].clause_of(food_class)) is not None
        ]
        if answers:
            found.append(_of_all(answers))
    return tuple(found)


def spot_of_unit(settings: UnitSettings, reading: CoreReading) -> tuple[SpotCheck, ...]:
    """Return the answers for the warmest food of a cabinet, whichever of its classes that is."""
    frozen = settings.unit.kind == "freezer"
    return _chosen(settings, [as_kept(c, freezer=frozen) for c in settings.classes], reading, frozen=frozen)


def spot_of_batch(life: Life, settings: UnitSettings, *, as_of_ms: int) -> tuple[SpotCheck, ...]:
    """Return the answers for the newest reading a person took in a batch, by the rules of its cabinet."""
    known = [core for core in life.cores if core.t_ms <= as_of_ms]  # in order of time, then as said
    return spot_in_life(life, settings, known[-1], frozen=life.batch.frozen) if known else ()


def spot_in_life(
    life: Life, settings: UnitSettings, reading: CoreReading, *, frozen: bool
) -> tuple[SpotCheck, ...]:
    """Return the answers for one reading in a batch, kept as frozen food then or not."""
    asked = life.batch.food_class
    kept = as_kept(asked, freezer=True) if frozen else THAWED.get(asked, asked)
    return tuple(_under_its_clock(life, check) for check in _chosen(settings, [kept], reading, frozen=frozen))


def _under_its_clock(life: Life, check: SpotCheck) -> SpotCheck:
    """Return an answer that leaves to another clock what that clock decides."""
    timed = life.time_control
    words = ""
    if _cooling_at(life, check.t):
        words = "it is being cooled: the clock of its two stages decides"
    elif timed is not None and timed.started_ms <= check.t and check.rule in TIME_CONTROL_RULES:
        words = "time stands in place of cold: its clock decides"
    if not words or check.compliant != "no":
        return check
    return check.model_copy(update={"compliant": "unknown", "why": f"{check.why}; {words}"})


def _cooling_at(life: Life, t_ms: int) -> bool:
    """Return whether cooked food was on its way down at a moment: once hot, not yet shown cold."""
    started = life.cooling_from_ms
    if started is None or t_ms < started - AT_START_MS:
        return False
    hot = any(c.core_c >= HOT_START_C and abs(c.t_ms - started) <= AT_START_MS for c in life.cores)
    return hot and not any(started <= c.t_ms <= t_ms and c.core_c <= COOLED_C for c in life.cores)


def _chosen(
    settings: UnitSettings, classes: Sequence[FoodClass], reading: CoreReading, *, frozen: bool
) -> tuple[SpotCheck, ...]:
    names = [chosen.name for chosen in sets_of(settings.rules, settings.house_rules)]
    if "unknown" in classes:
        classes = list(_of_kind((RULES[name] for name in names), frozen=frozen))
    if not any(RULES[name].clause_of(c) for name in names for c in classes):
        names.append(DEFAULT_RULES)
    site = settings.site
    return spot_check(names, classes, reading, moving=site is not None and site.kind in MOVING)


def _of_kind(sets: Iterable[RuleSet], *, frozen: bool) -> dict[FoodClass, None]:
    """Return every class that food nobody described may be."""
    return {c: None for chosen in sets for c in chosen.limits_c if (c in FROZEN) is frozen}


def _answer(
    chosen: RuleSet, row: Clause, food_class: FoodClass, reading: CoreReading, *, moving: bool
) -> SpotCheck:
    source = chosen.source(row)
    reasons = [_row("core", reading.core_c, row.limit, source)]
    margins = [c for c in chosen.clauses if c.applied_by == "spot_check" and food_class in c.food_classes]
    if reading.surface_c is not None:
        reasons += [
            _row("surface", reading.surface_c, row.limit + margin.limit, chosen.source(margin))
            for margin in margins
        ]
    over = [r for r in reasons if r.value > r.threshold]
    compliant, why = "yes", "within this document's temperatures when it was measured"
    if over:
        compliant = "no"
        why = "; ".join(f"{r.quantity} {degrees(r.value)}, above {degrees(r.threshold)}" for r in over)
        allowed = _allowed(chosen, reading.core_c, moving=moving)
        if allowed:
            compliant, why = "unknown", f"{why}; {allowed}"
    elif margins and reading.surface_c is None:
        why = f"{why}; the surface was not measured"
    return SpotCheck.model_validate(
        {
            "t": reading.t_ms,
            "rule": chosen.name,
            "core_c": reading.core_c,
            "surface_c": reading.surface_c,
            "compliant": compliant,
            "reasons": tuple(reasons),
            "source": "; ".join(dict.fromkeys(r.source for r in reasons)),
            "why": why,
        }
    )


def _allowed(chosen: RuleSet, core_c: float, *, moving: bool) -> str:
    """Return why one reading beyond the limit does not yet break the document; empty where it does."""
    if chosen.lawful_min > 0.0:
        return f"{chosen.lawful_min:g} min in all are allowed beyond it: its clock decides"
    if chosen.name == QUICK_FROZEN.name and moving and core_c <= BRIEF_C:
        return f"in transport it may be so briefly, to {degrees(BRIEF_C)}: its clock decides"
    return ""


def _of_all(answers: Sequence[tuple[SpotCheck, float, FoodClass]]) -> SpotCheck:
    """Return one answer for food that is one of several classes."""
    strictest, _, _ = min(answers, key=lambda one: one[1])
    if len({check.compliant for check, _, _ in answers}) == 1:
        return strictest
    kinds = ", ".join(c.replace("_", " ") for check, _, c in answers if check.compliant != "yes")
    why = f"it depends on what was measured: not kept if it is {kinds} ({strictest.why})"
    return strictest.model_copy(update={"compliant": "unknown", "why": why})


def _row(quantity: str, value_c: float, threshold_c: float, source: str) -> Evidence:
    return Evidence(
        quantity=quantity, value=value_c, operator=">", threshold=threshold_c, unit="°C", source=source
    )
