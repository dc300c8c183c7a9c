import math

import pytest

from services.analytics.power.assess import power
from services.analytics.power.stored import HARM_SOC, Standing
from services.timebase import DAY_MS
from tests.helpers.made_supply import Story, played, settings_for

NAME = "bank of a stored unit runs down"


def stored(state="off", **story):
    made = Story(**{"days": 3, "soc": 0.8, "tripped": lambda _m: True, "other_a": 0.1, **story})
    settings = settings_for(made)
    unit = settings.unit.model_copy(update={"state": state})
    series = played(made)
    settings = settings.model_copy(update={"unit": unit})
    return series, power(series, settings, as_of_ms=int(series.t_ms[-1]), food_limit_c=5.0)


def test_a_load_alone_takes_a_bank_down_in_a_straight_line():
    bank = Standing(soc=0.9, soc_sd=0.0, full_ah=100.0, drawn_a=0.1, leak_per_month=0.0)
    assert bank.days_until(0.5) == pytest.approx(40.0 / 0.1 / 24.0)


def test_a_leak_alone_takes_it_down_as_the_month_says():
    bank = Standing(soc=1.0, soc_sd=0.0, full_ah=100.0, drawn_a=0.0, leak_per_month=0.06)
    assert bank.days_until(0.94) == pytest.approx(730.5 / 24.0, rel=0.04)
    assert bank.days_until(0.5) == pytest.approx(math.log(2.0) / 0.06 * 730.5 / 24.0)


def test_nothing_drawn_and_nothing_lost_lasts_for_ever_and_below_the_line_is_now():
    bank = Standing(soc=0.6, soc_sd=0.0, full_ah=100.0, drawn_a=0.0, leak_per_month=0.0)
    assert bank.days_until(0.5) == math.inf
    assert bank.days_until(0.7) == 0.0


def test_a_stored_unit_that_stands_still_is_no_cut_out_and_has_no_run_out():
    _, result = stored()
    assert result.cutouts == ()
    assert result.runout.reason == "not_enough_data"
    assert "said by a person" in result.runout.hours_p10_reason
    _, used = stored(state="in_use")
    assert [event.end for event in used.cutouts] == [None]
    assert NAME not in [finding.finding for finding in used.findings]


def test_the_days_until_the_bank_is_harmed_are_told_with_the_day():
    series, result = stored()
    (finding,) = [one for one in result.findings if one.finding == NAME]
    left_ah = (0.8 - 0.1 * 72 / 100 - HARM_SOC["agm"]) * 100.0
    days = finding.evidence[0].value
    assert 0.0 < days < left_ah / 0.1 / 24.0
    assert finding.due == pytest.approx(int(series.t_ms[-1]) + days * DAY_MS, abs=0.1 * DAY_MS)
    assert "likely" in finding.evidence[0].source


def test_a_bank_with_months_to_go_or_one_that_is_charged_is_left_in_peace():
    _, idle = stored(other_a=0.0, soc=0.99, capacity_ah=200.0, chemistry="lifepo4")
    _, charged = stored(charge_a=lambda m: 5.0 if 500 < m % 1440 < 800 else 0.0)
    for result in (idle, charged):
        assert NAME not in [finding.finding for finding in result.findings]


def test_an_empty_unit_that_runs_is_judged_as_ever():
    _, result = stored(state="empty", tripped=lambda _m: False, soc=0.4)
    assert [event.cause for event in result.cutouts] == ["battery_flat"]
