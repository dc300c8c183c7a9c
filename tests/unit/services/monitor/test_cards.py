"""What the lists show of a unit."""

from services.domain import Cutout, Verdict
from services.monitor.cards import card_of, deciding
from services.records.said import Standing
from services.store import Latest
from tests.helpers import made
from tests.helpers.made import NOON_MS


def exposure(verdict, minutes, basis="modelled_food"):
    return made.exposure(
        (NOON_MS, NOON_MS + minutes * 60_000), start_ms=NOON_MS, verdict=verdict, basis=basis
    )


def build(analysis, **changes):
    words = {
        "latest": Latest(
            "v3-meat", NOON_MS - 5, NOON_MS, {"cabinet_c": 3.5, "lat_deg": -13.0, "lon_deg": 31.0}
        ),
        "standing": Standing(Verdict.HOLD, NOON_MS - 60_000, "signed for by nobody yet"),
        "backlog_expected": False,
    }
    return card_of(analysis, made.fleet().settings_of("v3-meat"), **{**words, **changes})


def test_the_food_clock_that_decides_is_the_worst_and_the_air_never_when_there_is_one():
    worst = exposure(Verdict.HOLD, 130)
    clocks = (
        exposure(Verdict.WATCH, 500),
        worst,
        exposure(Verdict.HOLD, 125),
        exposure(Verdict.HOLD, 900, "cabinet"),
    )
    assert deciding(made.analysis(exposures=clocks)) is worst
    assert deciding(made.analysis(exposures=clocks[3:])) is clocks[3]
    assert deciding(made.analysis()) is None


def test_a_card_shows_place_limit_minutes_and_both_verdicts():
    analysis = made.analysis(verdict=Verdict.WATCH, exposures=(exposure(Verdict.WATCH, 30),))
    card = build(analysis)
    assert (card.name, card.site_name, card.timezone) == ("Meat chest", "Vehicle 3", "Africa/Lusaka")
    assert card.limit_c == 5.0
    assert card.minutes_above == 30.0
    assert (card.standing, card.computed) == (Verdict.HOLD, Verdict.WATCH)
    assert (card.observed_at, card.received_at) == (NOON_MS - 5, NOON_MS)


def test_minutes_come_with_the_limit_they_are_told_of():
    frozen = exposure(Verdict.HOLD, 30).model_copy(update={"rule": "medicine-2-8", "limit_c": 0.0})
    settings = made.fleet().settings_of("v3-meat").model_copy(update={"classes": ("medicine",)})
    analysis = made.analysis(verdict=Verdict.HOLD, exposures=(exposure(Verdict.WATCH, 90), frozen))
    card = card_of(
        analysis,
        settings,
        latest=None,
        standing=Standing(Verdict.HOLD, NOON_MS, "it froze"),
        backlog_expected=False,
    )
    assert (card.minutes_above, card.decided_c, card.decided_below) == (30.0, 0.0, True)
    plain = build(made.analysis(exposures=(exposure(Verdict.WATCH, 30),)))
    assert (plain.decided_c, plain.decided_below) == (5.0, False)


def test_positions_never_reach_a_card():
    assert build(made.analysis()).latest == {"cabinet_c": 3.5}


def test_a_unit_never_heard_has_no_times_and_no_values():
    card = build(made.analysis(), latest=None)
    assert card.observed_at is None
    assert card.latest == {}


def test_a_cutout_without_an_end_is_shown_as_now():
    open_one = Cutout(
        start=NOON_MS,
        end=None,
        end_reason="still out",
        voltage_v=11.0,
        rebound_v=None,
        rebound_v_reason="still out",
        cause="battery_flat",
        certainty="probable",
        minutes_without_cooling=5.0,
        why="made by hand",
    )
    assert not build(made.analysis()).cut_out_now
    assert build(made.analysis().model_copy(update={"cutouts": (open_one,)})).cut_out_now
