"""The stops of the cabinets a batch lay in, and what is presumed while nothing is heard."""

from dataclasses import replace

import numpy as np
import pytest

from services.analytics.food.batches import judge_batch
from services.domain import Cutout, Verdict
from services.monitor.batchanswers import answers_of, stopped_min
from tests.helpers.batch_lives import MINUTE, NOON_MS, air, life, settings, wobble


def cut(start_min, end_min):
    return Cutout(
        start=NOON_MS + start_min * MINUTE,
        end=None if end_min is None else NOON_MS + end_min * MINUTE,
        voltage_v=10.9,
        rebound_v=None,
        cause="battery_flat",
        certainty="certain",
        minutes_without_cooling=1.0,
        why="so",
    )


CUTS = {"box-a": (cut(-60, 30), cut(100, None)), "box-b": (cut(0, 400),)}


def test_only_stops_of_the_cabinet_it_lay_in_count():
    story = life((60, "moved", {"unit": "box-b"}), (90, "taken_out", {}))
    found = stopped_min(story, lambda unit: CUTS.get(unit, ()), as_of_ms=NOON_MS + 200 * MINUTE)
    assert found == 30 + 30


def test_a_stop_that_lasts_counts_up_to_now():
    assert stopped_min(life(), CUTS.__getitem__, as_of_ms=NOON_MS + 150 * MINUTE) == 30 + 50


@pytest.mark.parametrize(("volume_l", "answer"), [(200.0, "unknown"), (60.0, "no")])
def test_a_silent_cabinet_is_presumed_cold_where_the_text_may_be_used(volume_l, answer):
    minutes = np.arange(-10.0, 61)
    described = settings(volume_l=volume_l)
    box = air(minutes, wobble(minutes, 3.0), of=described, as_of=180)
    box = replace(box, ambient=air(minutes, 0 * minutes + 21).readings)
    story = life(core_c=3.0)
    as_of_ms = NOON_MS + 180 * MINUTE
    judged = judge_batch(story, {"box-a": box}, as_of_ms=as_of_ms)
    found = answers_of(
        story,
        judged,
        {"box-a": box},
        verdict=(Verdict.NO_DATA, "nothing heard"),
        cutouts_of=lambda _unit: (),
        as_of_ms=as_of_ms,
    )
    presumed = next(a for a in found if a.question == "presumed_cold")
    assert presumed.answer == answer
    assert "probe" in presumed.why
