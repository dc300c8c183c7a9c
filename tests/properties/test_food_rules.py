"""Whatever is chosen on top of a published rule, nothing becomes looser."""

from dataclasses import replace
from itertools import product
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from services.analytics.food.cooling import BOTH, FOOD_CODE, FSANZ, cooling
from services.analytics.food.elapsed import buffet
from services.analytics.food.house import house_faults
from services.analytics.food.rulebook.catalog import RULES
from services.analytics.food.rules import limits_for
from services.domain import FoodClass, HouseRules

CLASSES = st.lists(st.sampled_from(get_args(FoodClass)), min_size=1, max_size=4, unique=True)
NAMES = st.lists(st.sampled_from(sorted(RULES)), min_size=1, max_size=3, unique=True)
FLAGS = st.fixed_dictionaries({"freezer": st.booleans(), "moving": st.booleans()})
MINUTE = 60_000


@st.composite
def own_rules(draw):
    return HouseRules(
        name="camp-own",
        base=draw(st.sampled_from(sorted(RULES))),
        limits_c=draw(st.dictionaries(st.sampled_from(get_args(FoodClass)), st.floats(-30, 15), max_size=3)),
        hold_min=draw(st.none() | st.floats(1, 600)),
        discard_min=draw(st.none() | st.floats(1, 600)),
    )


def at_least_as_strict(limit, other):
    """Whether `limit` never gives a lower verdict than `other` for the same readings."""
    if (limit.below, limit.frozen) != (other.below, other.frozen):
        return False
    colder = limit.limit_c >= other.limit_c if limit.below else limit.limit_c <= other.limit_c
    discards = other.discard_min is None or (
        limit.discard_min is not None
        and limit.discard_min <= other.discard_min
        and limit.hot_discard_min <= other.hot_discard_min
    )
    return (
        colder and limit.hold_min <= other.hold_min and limit.hot_hold_min <= other.hot_hold_min and discards
    )


def covers(strict, loose):
    return all(any(at_least_as_strict(a, b) for a in strict) for b in loose)


@settings(max_examples=300, deadline=None)
@given(names=NAMES, classes=CLASSES, flags=FLAGS, own=own_rules())
def test_own_rules_never_loosen_what_is_published(names, classes, flags, own):
    plain = limits_for((*names, own.base), (), classes, vulnerable=False, **flags).limits
    tightened = limits_for((*names, "camp-own"), (own,), classes, vulnerable=False, **flags).limits
    assert covers(tightened, plain)
    assert set(plain) <= set(tightened)


@settings(max_examples=300, deadline=None)
@given(names=NAMES, more=NAMES, classes=CLASSES, flags=FLAGS)
def test_another_rule_set_never_loosens(names, more, classes, flags):
    before = limits_for(names, (), classes, vulnerable=False, **flags).limits
    after = limits_for((*names, *more), (), classes, vulnerable=False, **flags).limits
    assert covers(after, before)


@settings(max_examples=200, deadline=None)
@given(names=NAMES, classes=CLASSES, flags=FLAGS, error_k=st.none() | st.floats(0.1, 2))
def test_vulnerable_guests_and_a_known_error_only_tighten(names, classes, flags, error_k):
    plain = limits_for(names, (), classes, vulnerable=False, **flags).limits
    careful = limits_for(names, (), classes, vulnerable=True, error_k=error_k, **flags).limits
    assert covers([x for x in careful if not x.guard], plain)
    assert all(x.cap == "watch" for x in careful if x.guard)


@settings(max_examples=200, deadline=None)
@given(own=own_rules())
def test_own_rules_without_a_fault_are_no_looser_for_any_class(own):
    if list(house_faults(own)):
        return
    base = RULES[own.base]
    assert own.hold_min is None or own.hold_min <= base.hold_min
    assert all(c <= base.limits_c.get(name, 99) for name, c in own.limits_c.items())


@settings(max_examples=200, deadline=None)
@given(
    rows=st.lists(st.tuples(st.integers(0, 600), st.floats(-2, 95)), min_size=1, max_size=8),
    as_of=st.integers(0, 900),
)
def test_two_rules_are_never_kinder_than_one(rows, as_of):
    readings = [(minute * MINUTE, core_c) for minute, core_c in rows]
    each = [
        cooling(readings, as_of_ms=as_of * MINUTE, started_ms=0, rules=(rule,)).verdict.rank
        for rule in (FOOD_CODE, FSANZ)
    ]
    both = cooling(readings, as_of_ms=as_of * MINUTE, started_ms=0, rules=BOTH).verdict.rank
    assert both == max(each)


@settings(max_examples=200, deadline=None)
@given(before=st.floats(0, 300), minutes=st.integers(0, 400), more=st.integers(0, 400), hot=st.booleans())
def test_a_buffet_s_clock_never_goes_down(before, minutes, more, hot):
    first = buffet(minutes_before=before, started_ms=0, as_of_ms=minutes * MINUTE, hot=hot)
    later = buffet(minutes_before=before, started_ms=0, as_of_ms=(minutes + more) * MINUTE, hot=hot)
    assert later.minutes >= first.minutes
    assert later.verdict.rank >= first.verdict.rank
    back = buffet(
        minutes_before=before,
        started_ms=0,
        as_of_ms=(minutes + more) * MINUTE,
        ended_ms=minutes * MINUTE,
        hot=hot,
    )
    assert back.verdict.rank >= first.verdict.rank


def test_the_comparison_tells_looser_from_tighter():
    (limit,) = limits_for(
        ("fsanz-3.2.2",), (), ("milk",), freezer=False, moving=False, vulnerable=False
    ).limits
    assert not covers((replace(limit, limit_c=limit.limit_c + 0.1),), (limit,))
    assert not covers((replace(limit, hold_min=limit.hold_min + 1),), (limit,))
    assert not covers((replace(limit, discard_min=None),), (limit,))


def of_all(names, classes, **flags):
    return limits_for(names, (), classes, vulnerable=False, **flags)


@pytest.mark.parametrize("freezer", [False, True])
@pytest.mark.parametrize("moving", [False, True])
def test_a_union_of_any_two_sets_is_as_strict_as_each_for_every_class(freezer, moving):
    flags = {"freezer": freezer, "moving": moving}
    for food_class in get_args(FoodClass):
        alone = {name: of_all((name,), (food_class,), **flags) for name in RULES}
        for one, other in product(RULES, RULES):
            both = of_all((one, other), (food_class,), **flags)
            for part in (alone[one], alone[other]):
                assert set(part.limits) <= set(both.limits), (one, other, food_class)
                assert set(part.assumed) <= set(both.assumed), (one, other, food_class)
                assert both.food_limit_c <= part.food_limit_c
                assert highest_lower(both) >= highest_lower(part)
                assert lowest_hold(both) <= lowest_hold(part)


def highest_lower(found):
    return max((x.limit_c for x in found.limits if x.below), default=-99.0)


def lowest_hold(found):
    return min(x.hold_min for x in found.limits)


@pytest.mark.parametrize("name", sorted(RULES))
@pytest.mark.parametrize("food_class", sorted(set(get_args(FoodClass)) - {"drinks", "medicine"}))
def test_what_a_set_says_nothing_of_is_held_to_the_default_rules_and_named(name, food_class):
    for freezer in (False, True):
        found = of_all((name,), (food_class,), freezer=freezer, moving=False)
        default = of_all(("za-r638-2018",), (food_class,), freezer=freezer, moving=False)
        thawed = [x for x in found.limits if not x.frozen]
        assert any(x.discard_min is not None for x in thawed), "nothing would ever lead to discard"
        borrowed = [x for x in found.limits if x.rule == "za-r638-2018" != name]
        assert set(borrowed) <= set(default.limits)
        assert bool(borrowed) == any(name in words for words in found.assumed)
        if food_class == "unknown":
            assert found.food_limit_c <= (-18.0 if freezer else 4.0)
            assert all(x.limit_c <= 4.0 for x in thawed)
