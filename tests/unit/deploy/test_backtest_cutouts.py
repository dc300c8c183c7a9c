from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from deploy import cli
from deploy.backtest_cutouts import Score, lines, runs, short_of
from deploy.backtesting import Outage, Played
from firmware_sim.stops import Stop
from services.analytics.power.assess import power
from tests.helpers.made_supply import Story, played, settings_for


def flat(cause="battery_flat", **more):
    """Return a made-up run whose one stop is known, and what the service tells of it."""
    story = Story(days=3, soc=0.5)
    series, settings = played(story), settings_for(story)
    start_ms = story.stops[0][0]
    stop = Stop("low_voltage", start_ms, None, cause, "", 11.4, 11.8, 0.2)
    run = Played(
        unit="unit-1",
        settings=settings,
        series=series,
        stops=(stop,),
        outages=(Outage(start_ms, None, int(series.t_ms[-1]) - start_ms, 0),),
        moves=(),
        faults=(),
        uncharged_ms=None,
        wearing_ms=None,
        soc=np.full(len(series), 0.99),
    )
    told = power(series, settings, as_of_ms=int(series.t_ms[-1]) + 60_000, food_limit_c=5.0).cutouts
    return replace(run, **more), told


def scored(run, told):
    score = Score()
    score.take(run, told)
    return score


def test_a_stop_told_with_its_cause_is_all_right():
    score = scored(*flat())
    assert (score.precision, score.recall, score.cause_accuracy) == (1.0, 1.0, 1.0)
    assert score.told_min == pytest.approx(score.true_min, rel=0.02)
    assert short_of(score) == ()


def test_another_cause_is_wrong_and_told_so():
    score = scored(*flat(cause="wiring"))
    assert (score.recall, score.cause_accuracy) == (1.0, 0.0)
    assert score.confusion == {("wiring", "battery_flat"): 1}
    assert any("wiring told battery_flat" in line for line in lines(score, most=5))


def test_a_silent_service_misses_it():
    run, _ = flat()
    score = scored(run, ())
    assert score.recall == 0.0
    assert score.misses[0].what == "missed"
    assert any(words.startswith("recall") for words in short_of(score))


def test_what_never_happened_is_a_false_alarm():
    run, told = flat(stops=(), outages=())
    score = scored(run, told)
    assert score.precision == 0.0
    assert score.misses[0].what == "false"


def test_a_bank_that_was_never_full_may_be_called_uncharged_but_not_to_the_word():
    run, told = flat(soc=np.full(3 * 1440, 0.5))
    charging = tuple(event.model_copy(update={"cause": "charging"}) for event in told)
    score = scored(run, charging)
    assert (score.cause_accuracy, score.strict_causes) == (1.0, 0)


def test_a_scenario_of_the_library_is_played_with_another_seed():
    ((name, seed, units),) = runs([Path("quiet_week")], [4], days=0.3)
    assert (name, seed) == ("quiet_week", 4)
    assert len(units) == 6


def test_the_command_prints_seeds_and_table_and_checks():
    done = CliRunner().invoke(
        cli.app, ["backtest", "cutouts", "quiet_week", "--seed", "5", "--days", "1", "--check"]
    )
    assert done.exit_code == 0
    assert "seeds: 5" in done.stdout
    assert "0 outages, 0 told" in done.stdout
