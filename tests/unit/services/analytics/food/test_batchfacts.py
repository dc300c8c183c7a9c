"""How warm food became since it was frozen, what of it nobody knows, and what had to be assumed."""

from dataclasses import replace

import numpy as np
import pytest

from services.analytics.food.batches import judge_batch
from services.analytics.food.batchfacts import frozen_limits, measured
from tests.helpers.batch_lives import MINUTE, NOON_MS, air, life, settings, steady, wobble

FREEZER = settings(kind="freezer")
END = 600


def frozen(*said, **more):
    return life(
        *said, frozen=True, **{"food_class": "frozen_other", "core_c": -20.0, "piece_kg": 0.1, **more}
    )


def freezer(*, warm_c=-20.0, warm=(100, 400), dark=(0, 0), end=END):
    """Return the air of a freezer that stood warm in one stretch and was not heard in another."""
    minutes = np.array([float(m) for m in range(-10, end + 1) if not dark[0] < m < dark[1]])
    return air(
        minutes,
        wobble(minutes, np.where((minutes > warm[0]) & (minutes < warm[1]), warm_c, -20.0)),
        of=FREEZER,
    )


def judged(story, box, minute=END):
    return judge_batch(story, {"box-a": box}, as_of_ms=NOON_MS + minute * MINUTE)


def warmth(story, box, minute=END):
    return judged(story, box, minute).warmth


@pytest.mark.parametrize("food_class", ["drinks", "medicine"])
def test_what_is_no_food_has_no_warmth(food_class):
    assert warmth(life(food_class=food_class), steady(60, 3.0), 60) is None


def test_food_that_came_frozen_is_followed_from_its_start_and_its_warmest_is_told():
    found = warmth(frozen(), freezer(warm_c=-4.0))
    assert found.frozen_from_ms == NOON_MS
    assert -4.5 < found.warmest_c < -3.9
    assert (found.over_40f_min, found.unknown_min, found.silent_ms) == (0.0, 0.0, 0)


def test_the_minutes_above_each_mark_never_grow_with_the_mark():
    found = warmth(frozen(), freezer(warm_c=-4.0))
    marks = {mark.above_c: mark.minutes for mark in found.marks}
    assert list(marks) == sorted(marks) == [-18.0, -15.0, -12.0, -5.0, 0.0]
    assert list(marks.values()) == sorted(marks.values(), reverse=True)
    assert 250 < marks[-12.0] < 400  # warm for 300 min; small food warms and large food cools late
    assert marks[0.0] == 0.0


def test_chilled_food_has_no_marks_and_was_never_frozen_through():
    found = warmth(life(core_c=3.0), steady(END, 3.0))
    assert (found.frozen_from_ms, found.marks) == (None, ())


def test_food_put_into_a_freezer_is_frozen_through_once_its_core_is():
    story = life(
        (10, "frozen", {"unit": "box-a", "frozen": True}), core_c=3.0, piece_kg=0.1, food_class="red_meat"
    )
    box = steady(END, -20.0, of=FREEZER)
    through = warmth(story, box).frozen_from_ms
    assert NOON_MS + 10 * MINUTE < through < NOON_MS + END * MINUTE
    assert warmth(story, box, minute=20).frozen_from_ms is None


def test_time_nobody_heard_of_is_unknown_and_a_cold_probe_at_its_end_settles_it():
    box = freezer(dark=(200, 320))
    dark = warmth(frozen(), box)
    assert dark.unknown_min == dark.unsettled_min == pytest.approx(120.0, abs=2)
    assert dark.measured_c is None
    probed = warmth(frozen((330, "probed", {"probe_c": -14.0})), box)
    assert probed.unknown_min == pytest.approx(120.0, abs=2)
    assert (probed.unsettled_min, probed.measured_c) == (0.0, -14.0)


@pytest.mark.parametrize(("minute", "probe_c"), [(330, 6.0), (400, -14.0)])
def test_a_warm_probe_or_one_long_after_settles_nothing(minute, probe_c):
    found = warmth(frozen((minute, "probed", {"probe_c": probe_c})), freezer(dark=(200, 320)))
    assert found.unsettled_min >= 118.0


def test_silence_up_to_now_is_unknown_and_food_said_to_be_out_is_warm_instead():
    box = freezer(end=300)
    silent = warmth(frozen(), box, minute=420)
    assert silent.silent_ms == 120 * MINUTE
    assert silent.unknown_min == pytest.approx(120.0, abs=1)
    out = warmth(frozen((300, "taken_out", {})), box, minute=420)
    assert (out.silent_ms, out.over_40f_min) == (0, pytest.approx(120.0, abs=1))


def test_what_it_brought_along_counts_too():
    brought = life(core_c=3.0, carried_above_min=30.0, carried_unknown_min=20.0)
    carried = replace(
        brought,
        batch=brought.batch.model_copy(update={"carried_above_min": 30.0, "carried_unknown_min": 20.0}),
    )
    found = warmth(carried, steady(60, 3.0), 60)
    assert (found.over_40f_min, found.unknown_min, found.unsettled_min) == (30.0, 20.0, 20.0)


@pytest.mark.parametrize(
    ("minute", "ice", "told"),
    [(330, True, True), (420, True, None), (330, False, False), (420, False, False)],
)
def test_ice_tells_only_when_seen_at_the_end_of_the_doubt_and_its_absence_always(minute, ice, told):
    story = frozen((minute, "probed", {"probe_c": -2.0, "ice": ice}))
    assert warmth(story, freezer(dark=(200, 320))).ice_seen is told


def test_frozen_limits_come_strictest_first_and_without_those_that_only_warn():
    limits = judged(frozen(food_class="ice_cream"), freezer(), 60).frozen_limits
    assert limits
    assert frozen_limits(limits[::-1]) == limits
    assert all(limit.law and not limit.guard for limit in limits)
    assert judged(life(core_c=3.0), steady(60, 3.0), 60).frozen_limits == ()


def test_food_is_measured_only_where_every_cabinet_it_was_in_has_a_probe_in_its_warmest_spot():
    plain = steady(60, 3.0)
    probed = steady(60, 3.0, of=settings(sensor={"position": "product"}))
    assert probed.is_food
    moved = life((30, "moved", {"unit": "box-b"}))
    assert measured(life(), {"box-a": probed})
    assert not measured(life(), {"box-a": plain})
    assert not measured(moved, {"box-a": probed})
    assert measured(moved, {"box-a": probed, "box-b": probed})


def test_how_warm_it_is_now_is_the_probe_where_it_is_newest_and_nothing_after_silence():
    box = steady(60, 3.0)
    modelled = judged(life(core_c=9.0), box, 60)
    assert modelled.basis == "modelled_food"
    assert 3.0 < modelled.food_c < 9.0
    fresh = judged(life((60, "probed", {"probe_c": 4.4}), core_c=9.0), box, 60)
    assert (fresh.food_c, fresh.basis) == (4.4, "probe")
    assert judged(life(core_c=9.0), box, 200).food_c is None
    assert judged(life((50, "taken_out", {}), core_c=9.0), box, 60).food_c is None


def test_what_had_to_be_assumed_is_named():
    box = steady(60, 3.0)
    told = judged(life(), box, 60).assumed
    assert any("starts at the air of the cabinet" in words for words in told)
    assert any("size of the largest piece not given" in words for words in told)
    known = judged(life(core_c=3.0, piece_kg=0.5), box, 60).assumed
    assert not any("starts at" in words or "piece" in words for words in known)
    received = judged(life(received_c=-16.5), box, 60).assumed
    assert "food starts at the \N{MINUS SIGN}16.5 °C it was received at: nobody measured it since" in received
    out = judged(life((30, "taken_out", {}), core_c=3.0), box, 60).assumed
    assert any("time out of a cabinet counts in full" in words for words in out)
