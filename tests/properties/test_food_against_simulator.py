"""Modelled food never counts much less than the simulated core was warm, in any scenario of the library.

The simulator is no outside check: we wrote both. ``python -m tests.bench.bench_food_model`` runs the
scenarios at length and prints how far off the model is.
"""

import pytest

from tests.helpers.simulated import compared, run_of, scenarios, with_faults

DAYS = 1.5
STOPS = """
[[fault]]
kind = "compressor_stalled"
unit = "trailer-frozen"
begins_h_before = 70
lasts_h = 40
[[fault]]
kind = "compressor_stalled"
unit = "camp-kitchen"
begins_h_before = 60
lasts_h = 9
[[fault]]
kind = "compressor_stalled"
unit = "truck-1-meat"
begins_h_before = 60
lasts_h = 20
[[fault]]
kind = "lid_ajar"
unit = "truck-2-meat"
begins_h_before = 50
lasts_h = 6
"""


def told(rows):
    return [
        f"{r.unit} {r.limit_c:g} °C: true {r.true_min:.0f}, counted {r.modelled_min:.0f}+{r.unknown_min:.0f}"
        for r in rows
        if not r.within
    ]


@pytest.mark.parametrize("name", sorted(scenarios()))
def test_the_last_days_of_every_scenario_are_not_under_counted(name):
    rows = list(compared(run_of(scenarios()[name], days=DAYS, units=16 if name == "fleet_year" else None)))
    assert rows
    assert told(rows) == []


def test_machines_that_stop_and_start_again_are_not_under_counted(tmp_path):
    rows = list(compared(run_of(with_faults(tmp_path, "quiet_week", STOPS), days=3.2)))
    assert told(rows) == []
    frozen = {r.limit_c: r for r in rows if r.kind == "freezer"}
    assert frozen[-12.0].true_min > 1500
    # Ice holds the food: it is counted as thawed for hardly longer than it was, and never as warm.
    assert frozen[-12.0].modelled_min < 1.5 * frozen[-12.0].true_min
    meat = next(r for r in rows if r.unit == "truck-1-meat" and r.limit_c == 5.0)
    assert meat.true_min > 300
