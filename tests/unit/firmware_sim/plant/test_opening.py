"""Openings within long steps, held against the same cabinet in steps of a second."""

import numpy as np
import pytest

from firmware_sim.plant.electrics import Inputs
from firmware_sim.plant.forcing import opens_at
from tests.helpers import one_cabinet as bench

OPENED_S = 135.0
AFTER_S = 480.0


def _path(folder, step_s, lid_s, *, outside_c=35.0):
    """Return times [s] and air [°C] of a cold cabinet whose lid is opened once."""
    box = bench.plant(folder / f"{step_s:g}", bench.unit(6.0), step_s=step_s)
    state = bench.soak(box, 3.0)
    at_s, air_c, entered_j = [0.0], [3.0], 0.0
    for k in range(round(AFTER_S / step_s)):
        start = k * step_s
        share = max(0.0, min(OPENED_S + lid_s, start + step_s) - max(OPENED_S, start)) / step_s
        shown = box.advance(
            state,
            np.array([outside_c]),
            np.array([2.2 * share]),
            Inputs(),
            lid_share=np.array([share]),
            lid_begins=np.array([max(OPENED_S - start, 0.0) / step_s if share else 0.0]),
            vapour_kg_per_kg=np.array([0.012]),
        )
        if not np.isnan(shown.air_top_c[0]):
            at_s.append(start + shown.air_top_at[0] * step_s)
            air_c.append(shown.air_top_c[0])
        at_s.append(start + step_s)
        air_c.append(shown.air_c[0])
        entered_j += shown.entered_j[0]
    return np.array(at_s), np.array(air_c), entered_j


def _above_s(at_s, air_c, limit_c):
    fine = np.arange(0.0, AFTER_S, 0.25)
    return 0.25 * (np.interp(fine, at_s, air_c) > limit_c).sum()


@pytest.mark.parametrize("step_s", [30.0, 60.0])
@pytest.mark.parametrize("lid_s", [20.0, 45.0, 150.0])
def test_a_lid_acts_as_long_as_it_is_open(tmp_path, step_s, lid_s):
    fine_s, fine_c, fine_j = _path(tmp_path, 1.0, lid_s)
    at_s, air_c, entered_j = _path(tmp_path, step_s, lid_s)
    shut_s = OPENED_S + lid_s
    peak_c, start_c = np.interp([shut_s, OPENED_S], fine_s, fine_c)
    assert np.interp(shut_s, at_s, air_c) - peak_c == pytest.approx(0.0, abs=0.03)
    limit_c = peak_c - 0.1 * (peak_c - start_c)
    assert _above_s(at_s, air_c, limit_c) == pytest.approx(_above_s(fine_s, fine_c, limit_c), abs=8.0)
    assert entered_j == pytest.approx(fine_j, rel=0.01)


def test_averaged_over_the_step_the_warmest_moment_would_be_missed(tmp_path):
    box = bench.plant(tmp_path / "mean", bench.unit(6.0), step_s=60.0)
    state, vapour = bench.soak(box, 3.0), np.array([0.012])
    ends_c = [
        box.advance(
            state, np.array([35.0]), np.array([2.2 * share]), Inputs(), vapour_kg_per_kg=vapour
        ).air_c[0]
        for share in (0.0, 0.0, 20.0 / 60.0)
    ]
    fine_s, fine_c, _ = _path(tmp_path, 1.0, 20.0)
    joined_c = np.interp(155.0, [120.0, 180.0], ends_c[1:])
    assert np.interp(155.0, fine_s, fine_c) - joined_c > 0.06


def test_a_lid_closed_within_the_step_tells_the_warmest_moment(tmp_path):
    box = bench.plant(tmp_path, bench.unit(6.0), bench.unit(6.0, name="other"), step_s=60.0)
    shown = box.advance(
        bench.soak(box, 3.0),
        np.full(2, 35.0),
        np.array([2.2 / 3.0, 0.0]),
        Inputs(),
        lid_share=np.array([1.0 / 3.0, 0.0]),
        lid_begins=np.array([0.5, 0.0]),
    )
    assert shown.air_top_c[0] > 3.3
    assert shown.air_top_at[0] == pytest.approx(5.0 / 6.0)
    assert np.isnan(shown.air_top_c[1])


def test_an_opening_across_steps_is_one_opening():
    share = np.array([[0.0, 0.25, 1.0, 0.5, 0.0, 0.4, 0.0]]).T
    assert opens_at(share)[:, 0].tolist() == pytest.approx([0.5, 0.75, 0.0, 0.0, 0.0, 0.3, 0.5], abs=0.51)
    assert opens_at(share)[[1, 2, 3, 5], 0].tolist() == pytest.approx([0.75, 0.0, 0.0, 0.3])
