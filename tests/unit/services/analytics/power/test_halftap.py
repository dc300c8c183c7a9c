import pytest

from services.analytics.power.assess import power
from services.analytics.power.halftap import common_a, tapped_a
from tests.helpers.made_supply import Story, played, settings_for


def tapped(settings, amps):
    return settings.model_copy(update={"bank": settings.bank.model_copy(update={"half_tap_a": amps})})


def analysed(settings, story):
    series = played(story)
    return power(series, settings, as_of_ms=int(series.t_ms[-1]), food_limit_c=5.0)


def test_both_halves_together_lose_half_of_what_is_taken_from_one():
    settings = tapped(settings_for(Story(nominal_v=24)), 1.6)
    assert (tapped_a(settings), common_a(settings)) == (1.6, 0.8)
    assert tapped_a(settings_for(Story())) == 0.0


def test_of_a_tapped_half_neither_charge_nor_run_out_is_told_but_why():
    story = Story(days=2, nominal_v=24, cutout_v=22.8, restart_v=25.0)
    plain = settings_for(story)
    whole, half = analysed(plain, story), analysed(tapped(plain, 1.5), story)
    assert whole.runout.reason == "discharging"
    assert whole.battery.state_of_charge is not None
    assert half.runout.reason == "not_enough_data"
    assert half.runout.hours_p50 is None
    assert "measure each half" in half.runout.hours_p10_reason
    assert half.battery.state_of_charge is None
    assert "measure each half" in half.battery.state_of_charge_reason
    assert any("converter across both" in words for words in half.assumed)


def test_nor_is_a_full_charge_of_both_one_of_the_tapped_half():
    story = Story(
        days=2, nominal_v=24, cutout_v=22.8, restart_v=25.0, charge_a=lambda m: 20.0 if 200 < m < 900 else 0.0
    )
    plain = settings_for(story)
    whole, half = analysed(plain, story), analysed(tapped(plain, 1.5), story)
    assert whole.battery.days_since_full == pytest.approx(2.0 - 900 / 1440, abs=0.01)
    assert half.battery.days_since_full is None
    assert "measure each half" in half.battery.days_since_full_reason
    assert half.battery.source_resistance_ohm == whole.battery.source_resistance_ohm
