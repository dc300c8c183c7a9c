import pytest

from services.analytics.power.assess import power
from tests.helpers.made_supply import Story, played, settings_for

MORNINGS = lambda amps, until_d: (  # noqa: E731
    lambda m: amps if 360 < m % 1440 < 720 and m < 1440 * until_d else 0.0
)


def cutouts(story, **supply):
    series = played(story)
    settings = settings_for(story, **supply)
    return power(series, settings, as_of_ms=int(series.t_ms[-1]), food_limit_c=5.0).cutouts


def test_charging_that_came_every_morning_and_stays_away_is_the_cause():
    story = Story(days=8, soc=0.9, capacity_ah=60, charge_a=MORNINGS(15.0, 5))
    event = cutouts(story)[-1]
    assert event.cause == "charging"
    (_, row) = event.evidence
    assert row.value >= row.threshold
    assert row.unit == "h"


def test_a_cut_out_above_every_usual_one_is_limits_with_its_row():
    (event,) = cutouts(Story(days=4, soc=0.9, cutout_v=12.1, restart_v=12.9))
    assert event.cause == "limits"
    assert event.evidence[-1].quantity == "cut-out in force"


def test_wiring_shows_measured_against_expected_resistance():
    (event,) = cutouts(Story(days=4, soc=0.95, path_ohm=0.32))
    assert event.cause == "wiring"
    row = event.evidence[-1]
    assert row.value == pytest.approx(0.32, abs=0.05)
    assert row.value > row.threshold
    assert "IEC 60228" in row.source


def test_every_low_voltage_event_shows_the_rest_voltage_and_how_far_the_cabinet_rose():
    (event,) = cutouts(Story(days=3, soc=0.5))
    assert event.evidence[0].quantity == "voltage at rest after it"
    assert event.evidence[0].operator == "<"
    assert event.warmed_k > 5.0


def test_every_row_is_true_as_it_stands():
    stories = (
        Story(days=3, soc=0.5),
        Story(days=4, soc=0.95, path_ohm=0.32),
        Story(days=4, soc=0.9, cutout_v=12.1, restart_v=12.9),
        Story(days=3, soc=0.9, capacity_ah=30),
    )
    for story in stories:
        for event in cutouts(story):
            for row in event.evidence:
                held = {
                    "<": row.value < row.threshold,
                    "<=": row.value <= row.threshold,
                    ">": row.value > row.threshold,
                    ">=": row.value >= row.threshold,
                }
                assert held[row.operator], row
                assert row.source
