import pytest

from services.analytics.power.assess import power
from tests.helpers.made_supply import Story, played, settings_for

SUN = lambda amps: lambda m: amps if 400 < m % 1440 < 900 else 0.0  # noqa: E731


def cutouts(story, settings=None):
    series = played(story)
    settings = settings_for(story) if settings is None else settings
    return power(series, settings, as_of_ms=int(series.t_ms[-1]), food_limit_c=5.0).cutouts


def test_a_low_rest_voltage_means_a_flat_battery():
    (event,) = cutouts(Story(days=3, soc=0.5))
    assert (event.cause, event.certainty) == ("battery_flat", "certain")
    assert event.voltage_v == pytest.approx(11.4, abs=0.05)
    assert event.rebound_v == pytest.approx(0.45, abs=0.05)
    assert event.end is None
    assert event.end_reason.startswith("cooling has not resumed")


@pytest.mark.parametrize(("path_ohm", "restart_v"), [(0.32, 12.5), (0.32, 11.9), (0.2, 12.5)])
def test_a_high_step_with_a_healthy_rest_voltage_means_wiring(path_ohm, restart_v):
    (event,) = cutouts(Story(days=4, soc=0.95, path_ohm=path_ohm, restart_v=restart_v))
    assert event.cause == "wiring"
    assert "plug" in event.why


def test_little_charge_delivered_since_full_means_a_weak_battery():
    story = Story(days=4, soc=0.7, capacity_ah=25, charge_a=SUN(8.0))
    events = cutouts(story, settings_for(Story()))
    assert {event.cause for event in events} == {"battery_weak"}


def test_a_fast_falling_rest_voltage_means_a_weak_battery_without_a_full_charge_seen():
    (event,) = cutouts(Story(days=3, soc=0.9, capacity_ah=30), settings_for(Story()))
    assert event.cause == "battery_weak"


def test_a_week_without_being_full_means_charging():
    events = cutouts(Story(days=12, soc=0.7, charge_a=SUN(3.0)))
    assert {event.cause for event in events} == {"charging"}


def test_a_good_battery_and_path_with_a_high_cut_out_means_limits():
    (event,) = cutouts(Story(days=4, soc=0.9, cutout_v=12.0, restart_v=12.8))
    assert event.cause == "limits"


def test_a_pulled_plug_means_an_interrupted_supply():
    (event,) = cutouts(Story(days=1, plugged=lambda m: not 600 < m < 700))
    assert (event.cause, event.certainty) == ("supply_interrupted", "certain")
    assert event.minutes_without_cooling == pytest.approx(99, abs=2)


def test_silence_of_everything_with_a_good_voltage_means_interrupted_but_only_probably():
    gone = lambda m: not 600 < m < 800  # noqa: E731
    (event,) = cutouts(Story(days=1, plugged=gone, heard=gone))
    assert (event.cause, event.certainty) == ("supply_interrupted", "probable")
    assert event.rebound_v is None
    assert event.rebound_v_reason is not None


def test_standing_still_with_a_normal_voltage_means_the_unit():
    (event,) = cutouts(Story(days=1, tripped=lambda m: 600 < m < 900))
    assert (event.cause, event.certainty) == ("unit", "probable")


def test_a_stop_before_the_first_sample_is_told_by_the_rest_voltage():
    (low,) = cutouts(Story(days=2, soc=0.1))
    assert (low.cause, low.certainty) == ("battery_flat", "probable")
    (high,) = cutouts(Story(days=2, soc=0.9, tripped=lambda _m: True))
    assert high.cause == "unknown"


def test_an_unknown_chemistry_is_said_in_the_reason():
    story = Story(days=3, soc=0.5)
    settings = settings_for(story).model_copy(update={"bank": None})
    (event,) = cutouts(story, settings)
    assert "if the battery is flooded lead-acid" in event.why


def test_a_24_v_unit_speaks_of_its_own_volts():
    story = Story(days=3, soc=0.5, nominal_v=24, cutout_v=22.8, restart_v=25.0, running_a=2.1, capacity_ah=50)
    (event,) = cutouts(story)
    assert event.voltage_v == pytest.approx(22.8, abs=0.1)
    assert event.cause == "battery_flat"


def test_minutes_in_attempts_are_not_minutes_without_cooling():
    (event,) = cutouts(Story(days=2, soc=0.95, path_ohm=0.32, restart_v=11.9))
    series = played(Story(days=2, soc=0.95, path_ohm=0.32, restart_v=11.9))
    assert event.minutes_without_cooling < (int(series.t_ms[-1]) - event.start) / 60_000


def test_a_stop_that_came_straight_back_is_only_probable():
    story = Story(
        days=1.5, soc=0.95, path_ohm=0.32, restart_v=12.5, charge_a=lambda m: 30.0 if m > 200 else 0.0
    )
    first = cutouts(Story(days=4, soc=0.95, path_ohm=0.32))[0]
    assert first.certainty == "certain"
    assert all(event.rebound_v is None or event.rebound_v < 2.0 for event in cutouts(story))


def test_no_reason_promises_anything_about_the_food():
    for story in (Story(days=3, soc=0.5), Story(days=4, soc=0.95, path_ohm=0.3)):
        assert all("safe" not in event.why.lower() for event in cutouts(story))
