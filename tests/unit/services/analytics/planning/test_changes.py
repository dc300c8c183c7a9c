import itertools

import numpy as np
import pytest

from services.analytics.planning import changes, draws, planner
from services.analytics.planning.run import Variant, carry
from services.analytics.planning.scene import scene_of
from tests.helpers.trips import WARM_DRINKS, trip

HOT = "[weather]\nnight_c = 28\nday_c = 43\n"


def parts(more):
    found = trip(more, nights=2)
    scene = scene_of(found)
    words = []
    aboard = planner._aboard(found, found.units[0], scene, words)
    supply = planner._supply(found.banks[0], aboard.settings, scene, words, panel_wp=0.0)
    days = draws.days_of(found.weather, int(scene.day[-1]) + 1)
    return scene, days, [aboard.rider], supply


@pytest.fixture(scope="module")
def hot():
    return parts(HOT)


def test_more_of_anything_never_makes_it_worse(hot):
    scene, days, riders, supply = hot
    tried = changes.singles(scene, riders, supply, sunny=True)
    chance = changes.chances(carry(scene, days, riders, supply, [t.variant for t in tried]), riders)
    for kind in ("bank", "cable", "panel", "drive", "charge"):
        ladder = [chance[i] for i, t in enumerate(tried) if t.kinds == (kind,)]
        assert len(ladder) >= 3
        assert all(b >= a - 1e-9 for a, b in itertools.pairwise(ladder)), kind
    nothing = changes.chances(carry(scene, days, riders, supply, [Variant()]), riders)[0]
    assert chance.min() >= nothing - 1e-9
    assert chance.max() > nothing


def test_the_smallest_that_holds_is_named_and_the_step_below_does_not(hot):
    scene, days, riders, supply = hot
    tried = changes.singles(scene, riders, supply, sunny=True)
    chance = changes.chances(carry(scene, days, riders, supply, [t.variant for t in tried]), riders)
    found = changes.smallest(scene, days, riders, supply, sunny=True)
    enough = [change for change in found if change.enough]
    assert enough
    for change in enough:
        at = next(i for i, t in enumerate(tried) if t.steps == change.steps)
        assert chance[at] == pytest.approx(change.chance)
        if tried[at].size > 0:
            assert chance[at - 1] < changes.HOLDS_FROM
    assert [c.enough for c in found] == sorted((c.enough for c in found), reverse=True)


def test_two_together_are_tried_only_where_none_alone_is_enough():
    scene, days, riders, supply = parts(HOT + WARM_DRINKS)
    found = changes.smallest(scene, days, riders, supply, sunny=True)
    single = [c for c in found if len(c.steps) == 1]
    double = [c for c in found if len(c.steps) == 2]
    assert not any(c.enough for c in single)
    assert double
    assert all(c.enough for c in double)
    assert any(c.steps[0].kind == "load_cold" for c in double)


def test_without_sun_no_panel_is_offered(hot):
    scene, _, riders, supply = hot
    kinds = {t.kinds[0] for t in changes.singles(scene, riders, supply, sunny=False)}
    assert kinds == {"bank", "cable", "drive", "charge"}


def test_pairs_add_up(hot):
    scene, _, riders, supply = hot
    both = changes.pairs(changes.singles(scene, riders, supply, sunny=True))
    first = next(b for b in both if b.kinds == ("bank", "drive"))
    assert first.variant.more_ah == first.steps[0].amount
    assert first.variant.drive is not None
    assert np.sum(first.variant.drive) > 0
