"""The charge filter on seventy-five days of a real lithium iron phosphate bank.

Data: "wkcollis1-eng, Lifepo4-Battery-Banks", CC BY 4.0, archive DOI 10.5281/zenodo.18232628, reformatted;
read from the folder shared beside the project. Its SOURCE.md says: 58 hours missing, the longest stretch
28 h; three full charges; ten hours of discharge on 2025-11-02 in which the voltage falls only 0.46 V after
the first step, so that voltage alone must keep a wide range; never under 12.5 V, so never empty.
"""

import numpy as np
import pytest

from services.analytics.power.capacity import capacity_of
from services.analytics.power.charge import charge_state, drawn_ah
from services.analytics.power.frame import frame_of, runs_of
from services.domain import Bank, Supply, Unit, UnitSettings
from services.telemetry import Series
from services.timebase import ms_of_iso
from tests.helpers.opendata import opendata_rows

pytestmark = [pytest.mark.outside, pytest.mark.opendata]

BANK = Bank(id="bank-1", chemistry="lifepo4", nominal_v=12, capacity_ah=500, installed="2025-01-01")
SETTINGS = UnitSettings.of(
    Unit(id="unit-1", kind="fridge", interval_s=3600, supply=Supply(bank="bank-1")), bank=BANK
)


def followed(column, start, end, *, amps=0.0):
    rows = opendata_rows("lfp_bank_74d/bank_voltage_hourly.csv")
    t_ms = np.array([ms_of_iso(row["hour_start"] + "Z") for row in rows], dtype=np.int64)
    volts = np.array([float(row[column]) for row in rows])
    series = Series(t_ms, {"battery_v": volts, "compressor_on": np.zeros(volts.size)})
    part = series.between(ms_of_iso(start), ms_of_iso(end))
    frame = frame_of(part, SETTINGS, 7200)
    ah = drawn_ah(frame, np.full(len(frame), amps))
    capacity = capacity_of(SETTINGS, as_of_ms=int(part.t_ms[-1]))
    return charge_state(frame, runs_of(frame), SETTINGS, capacity, ah)


def test_three_full_charges_set_the_charge_to_full():
    state = followed("v_max", "2025-10-29T00:00:00Z", "2025-11-08T00:00:00Z")
    assert state.full_ms.size == 3
    for at in state.full_ms:
        k = np.searchsorted(state.way.t_ms, at)
        assert state.way.soc[k] > 0.95
        assert state.way.soc_sd[k] < 0.05


def test_uncounted_hours_on_the_plateau_leave_a_wide_range_and_are_never_empty():
    """The load itself is not counted here and lowers what is read as rest: still not empty."""
    state = followed("v_min", "2025-11-02T00:00:00Z", "2025-11-02T20:00:00Z")
    assert np.min(state.way.soc) > 0.15
    middle = (state.way.t_ms > ms_of_iso("2025-11-02T11:00:00Z")) & (
        state.way.t_ms < ms_of_iso("2025-11-02T16:00:00Z")
    )
    assert np.all(state.way.soc_sd[middle] > 0.2)


def test_through_the_missing_day_the_range_widens():
    """2025-10-31 12:00 to 2025-11-01 15:00 is missing; the bank may have been used: it was charged after."""
    before = followed("v_max", "2025-10-29T00:00:00Z", "2025-10-31T12:00:00Z")
    after = followed("v_max", "2025-10-29T00:00:00Z", "2025-11-01T16:30:00Z")
    assert after.soc_sd > before.soc_sd + 0.1


def test_two_months_at_rest_fall_by_standing_only():
    """Rest from 2025-11-08 to 2026-01-11: mean 13.26 V, slope -0.85 mV a day; no load: it only stands."""
    state = followed("v_min", "2025-11-04T19:00:00Z", "2026-01-11T23:00:00Z")
    assert state.soc is None or state.soc > 0.5
    known = state.way.t_ms > ms_of_iso("2025-11-09T00:00:00Z")
    assert np.min(state.way.soc[known]) > 0.5
    assert np.max(np.abs(np.diff(state.way.soc[known]))) < 0.06
