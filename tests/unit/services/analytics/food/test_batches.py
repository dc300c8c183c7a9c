"""The clocks of one batch, on lives and readings made by hand."""

import numpy as np
import pytest

from services.analytics.food.batches import judge_batch
from services.domain import Verdict
from services.timebase import Span
from tests.helpers.batch_lives import MINUTE, NOON_MS, air, life, settings, steady, wobble

HOUR = 60


def judged(story, airs, minute, **more):
    return judge_batch(story, airs, as_of_ms=NOON_MS + round(minute * MINUTE), **more)


def clock(found, limit_c=5.0):
    return next(c for c in found.clocks if c.limit_c == limit_c)


def test_cold_food_in_a_cold_cabinet_is_ok():
    found = judged(life(core_c=3.0), {"box-a": steady(300, 3.0)}, 300)
    assert found.verdict is Verdict.OK
    assert (clock(found).minutes_worst_case, clock(found).compliant) == (0.0, "yes")
    assert found.food_c == pytest.approx(3.0, abs=0.05)
    assert found.basis == "modelled_food"


def test_food_that_was_warm_when_it_was_put_in_counts_from_there():
    found = judged(life(core_c=9.0, piece_kg=0.5), {"box-a": steady(120, 3.0)}, 60)
    assert clock(found).minutes_above == pytest.approx(60.0, abs=0.01)
    assert clock(found).compliant == "no"
    assert clock(found).peak_c == 9.0
    assert found.verdict is Verdict.WATCH


def test_a_warm_core_counts_at_once():
    found = judged(life((100, "probed", {"probe_c": 7.5}), core_c=3.0), {"box-a": steady(100, 3.0)}, 100)
    assert found.verdict is Verdict.WATCH
    assert "a probe in it showed 7.5 °C" in clock(found).why
    assert (found.food_c, found.basis) == (7.5, "probe")


def test_a_reading_of_the_core_sets_the_model_right_and_takes_no_minute_away():
    airs = {"box-a": steady(300, 3.0)}
    warm = life(core_c=9.0)
    probed = life((60, "probed", {"probe_c": 3.0}), core_c=9.0)
    assert clock(judged(warm, airs, 300)).minutes_above > 100
    assert clock(judged(probed, airs, 300)).minutes_above == pytest.approx(60.0, abs=0.01)


def test_minutes_follow_a_batch_into_another_cabinet():
    airs = {"box-a": steady(400, 8.0), "box-b": steady(400, 2.0, of=settings("box-b"))}
    moved = life((70, "moved", {"unit": "box-b", "frozen": False, "probe_c": 3.0}), core_c=8.0)
    found = judged(moved, airs, 300)
    assert clock(found).minutes_above == pytest.approx(70.0, abs=0.01)
    assert found.verdict is Verdict.WATCH
    again = life(
        (70, "moved", {"unit": "box-b", "frozen": False, "probe_c": 3.0}),
        (150, "moved", {"unit": "box-a", "frozen": False}),
        core_c=8.0,
    )
    assert clock(judged(again, airs, 300)).minutes_above > 70 + 140
    assert judged(again, airs, 300).verdict is Verdict.HOLD
    assert judged(again, airs, 390).verdict is Verdict.DISCARD_ADVISED


def test_the_strictest_limit_of_every_cabinet_follows_it():
    other = settings("box-b", rules=("uk-8c",))
    airs = {"box-a": steady(400, 6.0), "box-b": steady(400, 6.0, of=other)}
    moved = life((10, "moved", {"unit": "box-b", "frozen": False}), core_c=6.0)
    found = judged(moved, airs, 130)
    assert {c.limit_c for c in found.clocks} == {5.0, 8.0}
    assert clock(found).minutes_above == pytest.approx(130.0, abs=0.01)
    assert clock(found, 8.0).minutes_above == 0.0


def test_what_it_brought_along_counts():
    found = judged(
        life(core_c=3.0, carried_above_min=130.0, carried_unknown_min=5.0), {"box-a": steady(60, 3.0)}, 60
    )
    assert (clock(found).minutes_above, clock(found).minutes_unknown) == (130.0, 5.0)
    assert found.verdict is Verdict.HOLD


def test_time_out_of_the_cabinet_counts_in_full():
    out = life((60, "taken_out", {}), core_c=3.0)
    airs = {"box-a": steady(400, 3.0)}
    found = judged(out, airs, 105)
    assert clock(found).minutes_above == pytest.approx(45.0, abs=0.01)
    assert (found.minutes_out, found.food_c) == (45.0, None)
    assert judged(out, airs, 300).verdict is Verdict.DISCARD_ADVISED
    back = life(
        (60, "taken_out", {}),
        (90, "put_back", {"unit": "box-a", "frozen": False, "probe_c": 4.0}),
        core_c=3.0,
    )
    assert clock(judged(back, airs, 400)).minutes_above == pytest.approx(30.0, abs=0.01)
    unmeasured = life((60, "taken_out", {}), (90, "put_back", {"unit": "box-a", "frozen": False}), core_c=3.0)
    assert clock(judged(unmeasured, airs, 400)).minutes_above > 60


def test_silence_is_unknown_and_ends_in_hold_never_in_discard():
    airs = {"box-a": steady(30, 3.0)}
    assert judged(life(core_c=3.0), airs, 60).verdict is Verdict.NO_DATA
    found = judged(life(core_c=3.0), airs, 10 * HOUR)
    assert found.verdict is Verdict.HOLD
    assert clock(found).minutes_unknown == pytest.approx(570.0, abs=0.01)
    assert (clock(found).minutes_above, found.food_c) == (0.0, None)


def test_a_gap_is_unknown_as_it_is_for_the_cabinet():
    minutes = np.concatenate((np.arange(-5.0, 20.0), np.arange(80.0, 121.0)))
    found = judged(life(core_c=3.0), {"box-a": air(minutes, wobble(minutes, 3.0))}, 120)
    assert clock(found).minutes_unknown == pytest.approx(61.0, abs=0.01)
    assert clock(found).compliant == "unknown"


def test_moving_within_a_gap_makes_nothing_known():
    minutes = np.concatenate((np.arange(-5.0, 20.0), np.arange(80.0, 121.0)))
    for at in (19.5, 21.0, 50.0, 79.0):
        moved = life((at, "moved", {"unit": "box-b", "frozen": False}), core_c=3.0)
        airs = {
            "box-a": air(minutes, wobble(minutes, 3.0)),
            "box-b": air(minutes, wobble(minutes, 3.0), of=settings("box-b")),
        }
        assert clock(judged(moved, airs, 120)).minutes_unknown == pytest.approx(61.0, abs=0.01)


def test_samples_that_are_known_to_exist_are_awaited():
    span = Span(NOON_MS + 30 * MINUTE, NOON_MS + 600 * MINUTE)
    found = judged(life(core_c=3.0), {"box-a": steady(30, 3.0, expected=(span,))}, 300)
    assert found.verdict is Verdict.NO_DATA
    assert clock(found).minutes_unknown == 0.0


def test_nothing_is_known_where_nobody_said_it_went():
    lost = life(
        (
            60,
            "hold_closed",
            {
                "unit": None,
                "disposition": "moved",
                "probe_c": 3.0,
                "reason": "x",
                "standing": "hold",
                "computed": "hold",
            },
        ),
        core_c=3.0,
    )
    found = judged(lost, {"box-a": steady(300, 3.0)}, 300)
    assert found.verdict is Verdict.HOLD
    assert clock(found).minutes_unknown == pytest.approx(240.0, abs=0.01)


def test_new_minutes_since_a_hold_was_closed_are_told_apart():
    said = {"disposition": "kept", "probe_c": 3.5, "reason": "cold", "standing": "hold", "computed": "hold"}
    closed = life((130, "hold_closed", said), core_c=8.0, piece_kg=0.2)
    warm_then_cold = np.concatenate((np.full(140, 8.0), np.full(261, 3.0)))
    minutes = np.arange(-10.0, 391.0)
    found = judged(closed, {"box-a": air(minutes, wobble(minutes, warm_then_cold))}, 390)
    assert clock(found).minutes_above >= 130
    assert found.since_closed_min < 1.0


def test_frozen_food_is_held_to_its_own_line_only_while_it_is_kept_frozen():
    freezer = settings("ice-a", kind="freezer")
    airs = {"ice-a": steady(3000, -20.0, of=freezer), "box-b": steady(3000, 3.0, of=settings("box-b"))}
    fish = {"food_class": "frozen_fish", "unit": "ice-a", "frozen": True, "core_c": -20.0}
    kept = judged(life(**fish), airs, 300)
    assert {c.limit_c for c in kept.clocks} == {-18.0, 4.0}
    assert kept.verdict is Verdict.OK
    thawed = life((300, "moved", {"unit": "box-b", "frozen": False}), **fish)
    found = judged(thawed, airs, 2900)
    assert clock(found, -18.0).minutes_above == pytest.approx(0.0, abs=0.01)
    assert clock(found, 4.0).minutes_above == 0.0
    assert found.food_c is not None
    assert found.food_c > -5.0


def test_hot_food_being_cooled_does_not_count_until_its_time_is_over():
    hot = [(0, "cooling_started", {"probe_c": 70.0}), (110, "probed", {"probe_c": 20.0})]
    airs = {"box-a": steady(600, 3.0)}
    assert judged(life(*hot), airs, 200).verdict is Verdict.OK
    done = life(*hot, (300, "probed", {"probe_c": 4.5}))
    assert judged(done, airs, 320).cooling.outcome == "pass"
    assert clock(judged(done, airs, 320)).minutes_above < 1.0
    late = life(*hot, (400, "probed", {"probe_c": 4.5}))
    assert clock(judged(late, airs, 420)).minutes_above > 390
    assert judged(late, airs, 420).verdict is Verdict.DISCARD_ADVISED


def test_calling_it_cooling_hides_no_minute_of_food_that_was_never_hot():
    warm = life((30, "cooling_started", {}), core_c=12.0)
    found = judged(warm, {"box-a": steady(300, 12.0)}, 250)
    assert clock(found).minutes_above == pytest.approx(250.0, abs=0.01)


def test_medicine_counts_on_both_sides():
    cold = judged(life(food_class="medicine", core_c=5.0), {"box-a": steady(300, 1.0)}, 300)
    assert cold.verdict is Verdict.HOLD
    assert any(c.rule == "medicine-2-8" and c.minutes_above > 0 for c in cold.clocks)


def test_a_batch_that_is_gone_is_judged_as_of_its_end():
    gone = life((60, "discarded", {}), core_c=8.0)
    airs = {"box-a": steady(400, 8.0)}
    assert clock(judged(gone, airs, 400)).minutes_above == pytest.approx(60.0, abs=0.01)


def test_streamed_is_the_same_as_all_at_once_to_the_last_bit():
    told = [
        (40, "moved", {"unit": "box-b", "frozen": False}),
        (90, "probed", {"probe_c": 6.0}),
        (150, "taken_out", {}),
        (165, "put_back", {"unit": "box-a", "frozen": False}),
    ]
    minutes = np.arange(-10.0, 301.0)
    values = wobble(minutes, 4.9)
    kept = ()
    for now in range(1, 300, 7):
        # readings as they were there at that moment
        seen = minutes <= now
        airs = {
            "box-a": air(minutes[seen], values[seen]),
            "box-b": air(minutes[seen], values[seen], of=settings("box-b")),
        }
        story = life(*[t for t in told if t[0] <= now], core_c=4.0)
        streamed = judged(story, airs, now, before=kept)
        kept = streamed.followed
        assert streamed.clocks == judged(story, airs, now).clocks


TIMED = {"probe_c": 4.0, "time_control": "4h", "written_procedure": True, "marked": True}
FDA = settings(rules=("fda-food-code-2022",))


def test_time_in_place_of_cold_stops_the_clock_of_the_document_that_knows_it():
    stew = life((60, "taken_out", TIMED), core_c=3.0)
    found = judged(stew, {"box-a": steady(600, 3.0, of=FDA)}, 60 + 239)
    assert {c.rule: c.minutes_above for c in found.clocks} == {"fda-food-code-2022": 0.0}
    both = settings(rules=("fda-food-code-2022", "za-r638-2018"))
    found = judged(stew, {"box-a": steady(600, 3.0, of=both)}, 60 + 239)
    assert {c.rule: c.minutes_above for c in found.clocks} == {
        "fda-food-code-2022": 0.0,
        "za-r638-2018": 239.0,
    }


def test_time_control_that_is_corrected_to_warm_food_never_was_one():
    warm = life((60, "taken_out", {**TIMED, "probe_c": 6.0}), core_c=3.0)
    found = judged(warm, {"box-a": steady(600, 3.0, of=FDA)}, 60 + 239)
    assert clock(found).minutes_above == pytest.approx(239.0, abs=2.0)
    assert found.verdict is Verdict.HOLD


@pytest.mark.parametrize(("counts", "minutes"), [(False, 0.0), (True, 300.0)])
def test_cooling_in_its_stages_counts_toward_two_and_four_hours_unless_the_operator_leaves_it_out(
    counts, minutes
):
    chosen = settings(food={"rules": ("fsanz-3.2.2",), "cooling_counts": counts})
    hot = [(0, "cooling_started", {"probe_c": 70.0}), (110, "probed", {"probe_c": 20.0})]
    done = life(*hot, (300, "probed", {"probe_c": 4.5}))
    found = judged(done, {"box-a": steady(600, 3.0, of=chosen)}, 320)
    assert clock(found).minutes_above == pytest.approx(minutes, abs=1.0)


def test_within_its_stages_food_that_cools_is_not_condemned_and_beyond_them_it_is():
    chosen = settings(food={"rules": ("fsanz-3.2.2",), "cooling_counts": False})
    hot = [(0, "cooling_started", {"probe_c": 70.0}), (110, "probed", {"probe_c": 20.0})]
    airs = {"box-a": steady(600, 3.0, of=chosen)}
    assert judged(life(*hot), airs, 300).verdict is Verdict.OK
    late = life(*hot, (420, "probed", {"probe_c": 9.0}))
    found = judged(late, airs, 421)
    assert found.cooling.outcome == "fail"
    assert found.verdict is Verdict.DISCARD_ADVISED
