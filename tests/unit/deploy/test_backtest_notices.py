"""The back-test of notices on one cabinet whose troubles are known, through the real monitor."""

from dataclasses import replace

import numpy as np
import pytest

from deploy.backtest_notices import Replayed, absences, away_of, fleet_of, replay, take
from deploy.backtesting import Outage, Played
from deploy.notice_fleets import YEAR, places_of
from deploy.notice_lines import Tally, lines
from deploy.notice_people import COOK
from deploy.simulating import LIBRARY
from firmware_sim.faults import Told
from firmware_sim.scenarios.load import load_scenario
from services.domain.noticerates import CALLS
from services.telemetry import Series
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, Span
from tests.helpers.larder import fleet

START_MS = 20_400 * DAY_MS
EVERY_MS = HOUR_MS


def played(*, outages=(), hours=30, cold_from_h=0):
    t_ms = START_MS + np.arange(0, hours * HOUR_MS, 10 * MINUTE_MS, dtype=np.int64)
    k = np.arange(t_ms.size)
    columns = {
        "cabinet_c": np.round(np.where(k < 6 * cold_from_h, 12.0, 2.5) + np.sin(k / 3), 3),
        "compressor_on": (k % 6 < 2).astype(np.float64),
    }
    return Played(
        unit="camp-milk",
        settings=fleet().settings_of("camp-milk"),
        series=Series(t_ms, columns),
        stops=(),
        outages=outages,
        moves=(),
        faults=(),
        uncharged_ms=None,
        wearing_ms=None,
        soc=np.full(t_ms.size, np.nan),
    )


@pytest.fixture(scope="module")
def away():
    return {"camp-milk": (Span(START_MS + 25 * HOUR_MS, START_MS + 28 * HOUR_MS),)}


@pytest.fixture(scope="module")
def found(away, tmp_path_factory):
    return replay([played()], away, every_ms=EVERY_MS, folder=tmp_path_factory.mktemp("replay"))


@pytest.fixture(scope="module")
def moves(found):
    return found.moves


def test_a_unit_out_of_coverage_is_told_once_and_told_back(moves):
    silence = [move for move in moves if move.kind == "silence"]
    told, back = silence[0], next(move for move in silence if move.move == "returned")
    assert (told.move, told.priority, back.notice) == ("raised", "low", told.notice)
    assert told.at - (START_MS + 25 * HOUR_MS) <= 2 * EVERY_MS
    assert START_MS + 28 * HOUR_MS <= back.at <= START_MS + 28 * HOUR_MS + 2 * EVERY_MS


def test_somebody_takes_what_is_told(moves):
    assert "acknowledged" in {move.move for move in moves}
    assert COOK in fleet_of([played()]).people


@pytest.fixture(scope="module")
def broken(tmp_path_factory):
    one = played(hours=41, cold_from_h=38)
    return replay([one], {one.unit: ()}, every_ms=EVERY_MS, folder=tmp_path_factory.mktemp("broken"))


def test_a_broken_cabinet_is_told_as_a_hold_once_until_it_is_cold_again(broken):
    holds = [move for move in broken.moves if move.kind == "hold"]
    assert [(m.move, m.priority) for m in holds if m.move in CALLS] == [
        ("raised", "high"),
        ("again", "medium"),
        ("raised", "high"),
    ]
    assert "still" in {move.move for move in holds}


def test_a_cook_who_is_asked_to_says_that_it_is_empty_and_uses_it_again_when_it_is_cold(broken):
    ((unit, span),) = broken.rested
    asked = next(m.at for m in broken.moves if m.kind == "hold" and m.move == "again")
    assert unit == "camp-milk"
    assert asked < span.start_ms < START_MS + 38 * HOUR_MS <= span.end_ms


def test_what_began_in_a_cabinet_said_to_be_empty_is_no_miss(broken):
    (_, span) = broken.rested[0]
    outage = Outage(span.start_ms + MINUTE_MS, span.end_ms - MINUTE_MS, HOUR_MS, HOUR_MS)
    tally = Tally()
    one = played(outages=(outage,), hours=41, cold_from_h=38)
    take(tally, [one], {one.unit: (Span(span.start_ms, span.end_ms),)}, broken, every_ms=EVERY_MS)
    assert (tally.resting, tally.troubles) == (1, [])
    assert "not told by design: 1" in "\n".join(lines(tally))


def test_what_was_told_is_counted_with_its_delay_and_what_was_not_is_a_miss(found, away):
    tally = Tally()
    outage = Outage(START_MS + 24 * HOUR_MS, START_MS + 27 * HOUR_MS, HOUR_MS, HOUR_MS)
    still = {"camp-milk": ()}
    take(tally, [played(outages=(outage,))], still, found, every_ms=EVERY_MS)
    take(tally, [played()], away, found, every_ms=EVERY_MS)
    (silent,) = tally.of("silent")
    (stopped,) = tally.of("stopped")
    assert silent.told_ms is not None
    assert stopped.told_ms is None
    told = "\n".join(lines(tally))
    assert "missed: camp-milk stopped" in told
    assert "  silence: " in told
    assert "per_hour: " in told


def test_a_cut_out_told_of_a_unit_that_ran_is_needless(moves, away):
    silent = next(move for move in moves if move.kind == "silence")
    wrong = type(silent)(**{name: getattr(silent, name) for name in silent.__slots__} | {"kind": "cut_out"})
    tally = Tally()
    take(tally, [played()], away, Replayed([wrong], []), every_ms=EVERY_MS)
    assert tally.needless == 1


def test_a_seed_draws_the_same_absences_again_and_another_draws_others():
    drawn = away_of(3, 0, start_ms=START_MS, end_ms=START_MS + 30 * DAY_MS)
    assert drawn == away_of(3, 0, start_ms=START_MS, end_ms=START_MS + 30 * DAY_MS)
    assert drawn != away_of(4, 0, start_ms=START_MS, end_ms=START_MS + 30 * DAY_MS)
    assert all(HOUR_MS <= span.end_ms - span.start_ms <= 6 * HOUR_MS for span in drawn)


def test_a_sensor_that_nobody_was_told_to_doubt_is_a_miss(found, away):
    fault = Told("sensor_open", "", "", "camp-milk", START_MS + 25 * HOUR_MS, START_MS, None, {})
    tally = Tally()
    take(tally, [replace(played(), faults=(fault,))], away, found, every_ms=EVERY_MS)
    (sensor,) = tally.of("sensor")
    assert sensor.told_ms is None


def test_a_unit_nobody_uses_misses_nothing(away):
    one = played()
    unit = one.settings.unit.model_copy(update={"state": "off"})
    tally = Tally()
    take(
        tally,
        [replace(one, settings=one.settings.model_copy(update={"unit": unit}))],
        away,
        Replayed([], []),
        every_ms=EVERY_MS,
    )
    assert tally.troubles == []


def test_units_of_one_place_are_out_of_coverage_together():
    two = [played(), replace(played(), unit="camp-fish")]
    drawn = absences(3, two)
    assert drawn["camp-milk"] == drawn["camp-fish"]


def test_places_are_drawn_whole():
    whole = load_scenario(LIBRARY / f"{YEAR}.toml")
    part = places_of(whole, 10, np.random.default_rng(23))
    sites = {site.id for site, _ in part.sites}
    assert {u.id for u, _ in whole.units if u.site in sites} == set(part.unit_ids)
    assert len(part.units) <= 10


def test_the_fleet_of_a_run_is_that_of_its_units():
    assert [unit.id for unit in fleet_of([played()]).units] == ["camp-milk"]
