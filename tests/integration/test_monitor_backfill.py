"""A vehicle out of coverage comes home: its results are those of an undisturbed run."""

import random

import pytest

from services.domain import Verdict
from tests.helpers.house import HOUR_MS, MINUTE_MS, House, minutes
from tests.helpers.made import NOON_MS

pytestmark = pytest.mark.integration

HOME_MS = NOON_MS
END_MS = HOME_MS + 2 * MINUTE_MS
EVERY = 30
"""Samples between two looks of the undisturbed run."""


def drive():
    """Return five days of samples: a warm stretch on the second, and an ordinary rest."""
    cabinet_c = [2.0] * (1440 + 600) + [11.0] * 190 + [2.0] * (4 * 1440 - 790)
    return minutes(cabinet_c, end_ms=HOME_MS)


def undisturbed(folder):
    """Judge every half-hour while each sample arrives on time."""
    house = House(folder)
    samples = drive()
    for first in range(0, len(samples), EVERY):
        part = samples[first : first + EVERY]
        house.hear(part, at_ms=part[-1].t_ms)
        house.look(part[-1].t_ms)
    house.look(END_MS)
    return house


def out_of_coverage(folder):
    """Judge as a live sample comes in at home, then the backlog, oldest first, in bunches."""
    house = House(folder)
    samples = drive()
    away, back = 1440, len(samples) - 5
    for first in range(0, away, EVERY):
        part = samples[first : first + EVERY]
        house.hear(part, at_ms=part[-1].t_ms)
        house.look(part[-1].t_ms)
    house.hear(samples[back:], at_ms=HOME_MS)
    house.look(HOME_MS)
    during = house.card()
    packs = [samples[first : min(first + 60, back)] for first in range(away, back, 60)]
    random.Random(7).shuffle(packs)  # noqa: S311 - an order, not a secret
    for number, pack in enumerate(packs):
        now = HOME_MS + number * 500
        house.hear(pack, at_ms=now)
        house.look(now)
    house.look(END_MS)
    return house, during


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("runs")
    plain = undisturbed(folder / "plain")
    late, during = out_of_coverage(folder / "late")
    yield plain, late, during
    plain.close()
    late.close()


def test_while_the_backlog_is_known_nothing_is_ok_and_silence_is_no_hold(runs):
    during = runs[2]
    assert during.backlog_expected
    assert during.standing is Verdict.NO_DATA


def test_a_unit_out_of_coverage_ends_where_an_undisturbed_run_ends(runs):
    plain, late, _ = runs
    assert late.records.analysis("v3-meat") == plain.records.analysis("v3-meat")
    assert late.card().computed is plain.card().computed
    assert not late.card().backlog_expected
    assert plain.card().standing.rank >= Verdict.HOLD.rank
    assert late.card().standing is plain.card().standing
    assert abs(late.card().standing_since - plain.card().standing_since) <= EVERY * MINUTE_MS


def test_a_verdict_that_rose_from_late_data_says_so(runs):
    _, late, _ = runs
    rises = [c for c in late.records.verdict_history("v3-meat") if c.origin == "late"]
    assert all(change.recorded_ms >= HOME_MS for change in rises)
    assert rises[0].standing is late.card().standing
    assert "found in late data" in late.card().standing_why


def test_the_same_episodes_are_on_record_whichever_way_the_samples_came(runs):
    def food(house):
        return sorted(
            (e.rule, e.limit_c, e.basis, e.start_ms, e.end_ms) for e in house.records.episodes("v3-meat")
        )

    plain, late, _ = runs
    assert food(plain)
    assert food(late) == food(plain)
    assert any(end - start >= HOUR_MS for *_, start, end in food(plain))
