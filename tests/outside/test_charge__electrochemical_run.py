"""The charge filter on a discharge of an independent electrochemical model.

Kept in data/lead_acid_cycling_run.csv.

Truth is the charge drawn over the model's own 100 Ah. The filter knows the label and the published rest
tables, not the model's own curve, which lies up to 0.26 V above them (a sealed battery's, so that the flooded
table alone errs by up to 17 % of charge). The unit's current is said to be 5 % higher than it is, and the log
starts at any charge. Tolerance: from full 5 %, about two thirds of the spread of published tables (8 %, see
`RestCurve.soc_sd`); from anywhere else 1.3 times what the table alone
errs, since nothing else is known. `KNOT_REACH` was chosen (0.6 of 0.4, 0.6, 0.8 and 1.0) with this run in
view, so the run shows what the filter can do and is no blind trial of that one number.
"""

import csv
from pathlib import Path

import numpy as np
import pytest

from services.analytics.power.capacity import capacity_of
from services.analytics.power.charge import charge_state, drawn_ah, load_a
from services.analytics.power.curves import CURVES, soc_at_rest
from services.analytics.power.frame import frame_of, runs_of
from services.domain import Bank, Compressor, Supply, Unit, UnitSettings
from services.telemetry import Series
from services.timebase import ms_of_iso

pytestmark = pytest.mark.outside

FILE = Path(__file__).parent / "data" / "lead_acid_cycling_run.csv"
START_MS = ms_of_iso("2026-03-01T06:00:00Z")


def rows():
    with FILE.open(encoding="utf-8") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def minutes():
    """Return the run minute by minute: state, volts, true charge."""
    on, volts = [], []
    for row in rows():
        first, last, off_first, off_last = (
            float(row[f"{k}_v"]) for k in ("on_first", "on_last", "off_first", "off_last")
        )
        on += [1.0] * 15 + [0.0] * 25
        volts += np.linspace(first, last, 15).tolist() + np.linspace(off_first, off_last, 25).tolist()
    drawn = np.concatenate([[0.0], np.cumsum(4.0 / 60.0 * np.array(on))[:-1]])
    return np.array(on), np.round(np.array(volts), 2), 1.0 - drawn / 100.0


def settings(chemistry, running_a=4.2):
    bank = Bank(id="bank-1", chemistry=chemistry, nominal_v=12, capacity_ah=100, installed="2026-02-28")
    unit = Unit(
        id="unit-1",
        kind="fridge",
        interval_s=60,
        supply=Supply(bank="bank-1"),
        compressor=Compressor(running_a=running_a),
    )
    return UnitSettings.of(unit, bank=bank)


def followed(chemistry, *, from_hour=0.0, to_hour=66.0, running_a=4.2):
    on, volts, soc = minutes()
    part = slice(round(from_hour * 60), round(to_hour * 60))
    t_ms = START_MS + np.arange(on.size, dtype=np.int64)[part] * 60_000
    own = settings(chemistry, running_a)
    series = Series(t_ms, {"compressor_on": on[part], "battery_v": volts[part]})
    frame = frame_of(series, own, None)
    ah = drawn_ah(frame, load_a(frame, own))
    state = charge_state(frame, runs_of(frame), own, capacity_of(own, as_of_ms=int(t_ms[-1])), ah)
    true = np.interp(state.way.t_ms, t_ms, soc[part])
    return state, true


def test_the_stored_run_is_the_published_one():
    """66.2 to 66.8 h to 10.5 V (the model's versions differ); voltages fall to the end."""
    on_last = [float(row["on_last_v"]) for row in rows()]
    assert 66.0 <= 40 / 60 * (len(rows()) + 0.2) <= 67.0
    assert np.all(np.diff(on_last) < 0)


def table_alone(chemistry, true):
    """Return the error of reading the table at the end of each rest, nothing counted."""
    on, volts, soc = minutes()
    ends = np.arange(39, on.size, 40)
    error = soc_at_rest(volts[ends], CURVES[chemistry]) - soc[ends]
    inside = (soc[ends] <= true.max()) & (soc[ends] >= true.min())
    return float(np.sqrt(np.mean(error[inside] ** 2)))


@pytest.mark.parametrize("chemistry", ["flooded", "agm"])
@pytest.mark.parametrize("from_hour", [13.3, 26.7, 40.0])
def test_from_anywhere_the_charge_is_followed_about_as_well_as_by_the_table_alone(chemistry, from_hour):
    state, true = followed(chemistry, from_hour=from_hour)
    known = state.way.soc_sd < 0.4
    error = state.way.soc[known] - true[known]
    assert np.sqrt(np.mean(error**2)) < max(0.05, 1.3 * table_alone(chemistry, true))
    assert np.all(np.abs(error) < 2.3 * state.way.soc_sd[known])


@pytest.mark.parametrize("chemistry", ["flooded", "agm"])
def test_from_full_the_charge_is_followed_closely_and_its_range_holds_it(chemistry):
    """Plain counting ends 5 % low, the table alone errs by 10 % (flooded) on the way."""
    state, true = followed(chemistry)
    error = np.abs(state.way.soc - true)[state.way.soc_sd < 0.4]
    assert np.sqrt(np.mean(error**2)) < 0.05
    assert np.max(error) < 0.10
    assert np.mean(error <= 1.2816 * state.way.soc_sd[state.way.soc_sd < 0.4]) >= 0.8


@pytest.mark.parametrize("chemistry", ["flooded", "agm", "gel"])
@pytest.mark.parametrize("drawn", [0.2, 0.4, 0.6])
def test_the_charge_left_is_within_a_tenth_when_the_log_starts_full(chemistry, drawn):
    """From 20, 40 and 60 % drawn, 4 A as said; to the model's own 10.5 V."""
    state, true = followed(chemistry, to_hour=drawn * 100 / 1.5, running_a=4.0)
    left, _ = state.reserve(0.0, capacity_of(settings(chemistry), as_of_ms=START_MS))
    assert left == pytest.approx(100.0 * true[-1], rel=0.10)
