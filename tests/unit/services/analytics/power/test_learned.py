import numpy as np
import pytest

from services.analytics.power.capacity import capacity_of
from services.analytics.power.charge import charge_state, drawn_ah, load_a
from services.analytics.power.ekf import SIZE
from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.learned import Learned, bank_key, came_ms, on_bank_since, usable
from services.timebase import DAY_MS, MINUTE_MS, datetime_of
from tests.helpers.made_supply import Story, played, settings_for

STORY = Story(days=3.2, soc=0.9, charge_a=lambda m: 15.0 if 1700 < m < 2300 else 0.0)


def followed(series, learned=None, settings=None):
    settings = settings_for(STORY) if settings is None else settings
    frame = frame_of(series, settings, None)
    capacity = capacity_of(settings, as_of_ms=int(series.t_ms[-1]))
    ah = drawn_ah(frame, load_a(frame, settings))
    return charge_state(frame, runs_of(frame), settings, capacity, ah, learned=learned)


@pytest.fixture(scope="module")
def series():
    return played(STORY)


def test_every_day_start_the_samples_cross_is_kept(series):
    learned = followed(series).learned
    days = [row.day_ms for row in learned]
    assert days == list(range(-(-int(series.t_ms[0]) // DAY_MS) * DAY_MS, int(series.t_ms[-1]), DAY_MS))


def test_going_on_from_any_day_gives_the_same_answer_and_counts_nothing_twice(series):
    whole = followed(series)
    for row in whole.learned:
        again = followed(series, row)
        assert again.soc == pytest.approx(whole.soc, abs=1e-9)
        assert again.soc_sd == pytest.approx(whole.soc_sd, abs=1e-9)
        assert again.gauge.usable_ah == pytest.approx(whole.gauge.usable_ah, rel=1e-9)


def test_days_followed_one_by_one_give_what_all_together_give(series):
    whole = followed(series)
    learned = None
    for day in [row.day_ms for row in whole.learned]:
        state = followed(series.between(int(series.t_ms[0]), day + 60_000 * 5), learned)
        learned = state.learned[-1]
        assert learned.day_ms == day
    last = followed(series, learned)
    # The capacity believed at first ages with the day it is asked for: 0.01 % of the charge drawn a day.
    assert last.soc == pytest.approx(whole.soc, abs=2e-4)


def test_it_survives_being_written_down(series):
    row = followed(series).learned[-1]
    assert Learned.from_json(row.to_json()) == row
    assert Learned.from_json('{"v":0,"mean":[]}') is None


def test_what_was_learned_of_another_bank_is_left_aside(series):
    row = followed(series).learned[-1]
    settings = settings_for(STORY)
    other = settings.model_copy(update={"bank": settings.bank.model_copy(update={"capacity_ah": 50.0})})
    assert bank_key(other) != bank_key(settings)
    assert followed(series, row, other).soc == followed(series, None, other).soc


def test_after_a_long_silence_what_was_learned_is_less_sure(series):
    row = followed(series).learned[0]
    late = series.between(row.day_ms + 2 * DAY_MS, int(series.t_ms[-1]) + 1)
    gone = late.between(int(late.t_ms[0]), int(late.t_ms[0]) + 4 * 60_000)
    assert followed(gone, row).soc_sd > 0.3
    assert np.isfinite(followed(late, row).soc)


@pytest.mark.parametrize("text", ["{}", "[]", "null", "no text", '{"v":1}', '{"v":1,"mean":[0]}'])
def test_what_was_kept_in_no_sound_form_is_as_good_as_nothing(text):
    assert Learned.from_json(text) is None


def test_numbers_that_are_none_are_not_carried_on():
    kept = Learned(
        day_ms=0, bank="a", mean=(float("nan"), *(0.0,) * (SIZE - 1)), cov=((0.0,) * SIZE,) * SIZE,
        tilt=0.0, since_top=None, charging=False,
    )  # fmt: skip
    assert Learned.from_json(kept.to_json()) is None


def test_what_was_learned_before_the_unit_came_to_its_bank_is_left_aside(series):
    row, settings = followed(series).learned[-1], settings_for(STORY)
    assert usable(row, settings) is row
    early, late = (
        settings_for(STORY, since=datetime_of(row.day_ms + step).isoformat())
        for step in (-MINUTE_MS, MINUTE_MS)
    )
    assert usable(row, early) is row
    assert usable(row, late) is None
    assert on_bank_since(late, 5) == (5, row.day_ms + MINUTE_MS)
    assert on_bank_since(settings, None) == ()
    assert came_ms(settings) is None
