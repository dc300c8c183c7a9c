import pytest

from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.thermostat import band_of
from tests.helpers.made_supply import Story, played, settings_for


def band(story, **supply):
    frame = frame_of(played(story), settings_for(story, **supply), None)
    return band_of(frame, runs_of(frame))


def test_the_band_is_learned_from_the_turns():
    learned = band(Story(days=1, half_differential_k=1.5))
    assert learned.learned
    assert learned.stop_k == pytest.approx(-1.5, abs=0.25)
    assert learned.start_k == pytest.approx(1.5, abs=0.25)
    assert learned.stop_k < learned.stopped_above_k < learned.warm_above_k < learned.locked_above_k


def test_too_few_turns_fall_back_to_one_kelvin_either_side():
    fallback = band(Story(days=0.05))
    assert not fallback.learned
    assert (fallback.stop_k, fallback.start_k) == (-1.0, 1.0)


def test_cut_outs_of_a_flat_battery_do_not_move_the_band():
    learned = band(Story(days=4, soc=0.9, restart_v=11.7))
    assert learned.stop_k == pytest.approx(-1.0, abs=0.25)
