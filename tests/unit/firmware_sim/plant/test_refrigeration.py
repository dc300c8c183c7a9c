import numpy as np
import pytest

from firmware_sim.plant.refrigeration import (
    ELECTRIC_EFFICIENCY,
    FAN_DEAD_SHARE,
    REFRIGERANTS,
    Cycles,
    clear_share,
    condenser_ratio,
    condensing_after,
    cycle_table,
    delivered_share,
    heat_line,
    sized,
    wetted_share,
    work_ratio,
)


def _ones(*values):
    return np.array([float(v) for v in values])


def _sized(cycles, *, cooling_w=62.0, compressor_w=48.0, cabinet_c=2.0, n=1):
    full = np.full
    return sized(
        cycles,
        cooling_w=full(n, cooling_w),
        compressor_w=full(n, compressor_w),
        cabinet_c=full(n, cabinet_c),
        plate_gap_k=full(n, 8.0),
        evaporator_gap_k=full(n, 4.0),
        condenser_gap_k=full(n, 12.0),
        recirculation_share=full(n, 0.1),
    )


@pytest.mark.parametrize("name", REFRIGERANTS)
def test_the_grid_is_even_and_the_numbers_go_the_right_way(name):
    table = cycle_table(name)
    assert np.ptp(np.diff(table.evaporating_c)) == 0.0
    assert np.ptp(np.diff(table.condensing_c)) == 0.0
    assert np.all(np.diff(table.cooling_kj_per_m3, axis=0) > 0.0)
    assert np.all(np.diff(table.cooling_kj_per_m3, axis=1) < 0.0)
    assert np.all(np.diff(table.work_kj_per_m3, axis=1) >= 0.0)


def test_reading_many_machines_at_once_equals_reading_each():
    names = ["R134a", "R600a", "R134a"]
    low, high = _ones(-23.3, -7.0, 30.0), _ones(54.4, 41.0, 10.0)
    whole = Cycles(names).at(low, high)
    for i, name in enumerate(names):
        alone = Cycles([name]).at(low[i : i + 1], high[i : i + 1])
        assert alone.cooling_kj_per_m3[0] == whole.cooling_kj_per_m3[i]
        assert alone.work_kj_per_m3[0] == whole.work_kj_per_m3[i]


def test_a_grid_point_gives_the_stored_row_times_the_delivered_share():
    table = cycle_table("R134a")
    cycle = Cycles(["R134a"]).at(_ones(-10), _ones(45))
    row, column = list(table.evaporating_c).index(-10), list(table.condensing_c).index(45)
    share = delivered_share(table.condensing_kpa[column] / table.evaporating_kpa[row])
    assert cycle.cooling_kj_per_m3[0] == pytest.approx(share * table.cooling_kj_per_m3[row, column])
    assert cycle.work_kj_per_m3[0] == pytest.approx(share * table.work_kj_per_m3[row, column])


def test_the_slope_is_that_of_the_line_read():
    cycles = Cycles(["R600a"])
    here, there = (cycles.at(_ones(t), _ones(47)) for t in (-19.0, -18.0))
    rise = there.cooling_kj_per_m3 - here.cooling_kj_per_m3
    assert here.cooling_per_k[0] == pytest.approx(rise[0])


def test_a_compressor_delivers_half_to_four_fifths_over_usual_pressure_ratios():
    shares = delivered_share(_ones(4, 6, 13))
    assert np.all((shares > 0.5) & (shares < 0.9))
    assert np.all(np.diff(shares) < 0.0)
    assert delivered_share(_ones(400))[0] == 0.05


def test_a_machine_gives_what_it_is_rated_at_where_it_is_rated():
    cycles = Cycles(["R134a"])
    machines = _sized(cycles)
    cycle = cycles.at(_ones(-10), _ones(44))
    cooling = 1000.0 * machines.swept_m3_per_s * cycle.cooling_kj_per_m3
    drawn = 1000.0 * machines.swept_m3_per_s * cycle.work_kj_per_m3 / machines.electric_efficiency
    assert cooling[0] == pytest.approx(62.0)
    assert drawn[0] == pytest.approx(48.0)
    settled = condensing_after(
        _ones(20),
        air_c=_ones(32),
        rejected_w=cooling + drawn,
        machines=machines,
        conductance_ratio=_ones(1),
        step_s=1e9,
    )
    assert settled[0] == pytest.approx(44.0)


def test_without_a_running_current_the_usual_efficiency_is_taken():
    machines = _sized(Cycles(["R134a"]), compressor_w=np.nan)
    assert machines.electric_efficiency[0] == pytest.approx(ELECTRIC_EFFICIENCY)


def test_the_line_carries_the_same_heat_through_compressor_and_evaporator():
    cycles = Cycles(["R134a"])
    machines = _sized(cycles)
    plate_c, evaporating_c = _ones(-3), _ones(-3)
    for _ in range(6):  # settles in a few steps
        cycle = cycles.at(evaporating_c, _ones(44))
        line = heat_line(
            cycle,
            swept_m3_per_s=machines.swept_m3_per_s,
            evaporating_c=evaporating_c,
            evaporator_w_per_k=machines.evaporator_w_per_k,
        )
        taken = line.at_zero_w + line.w_per_k * plate_c
        evaporating_c = plate_c - taken / machines.evaporator_w_per_k
    through = 1000.0 * machines.swept_m3_per_s * cycles.at(evaporating_c, _ones(44)).cooling_kj_per_m3
    assert taken[0] == pytest.approx(through[0], rel=1e-6)
    assert taken[0] > 62.0  # warmer than rated


def test_a_standing_machine_takes_nothing():
    line = heat_line(
        Cycles(["R134a"]).at(_ones(2), _ones(35)),
        swept_m3_per_s=_ones(0),
        evaporating_c=_ones(2),
        evaporator_w_per_k=_ones(15),
    )
    assert line.at_zero_w[0] == line.w_per_k[0] == 0.0


def test_charge_within_a_tenth_changes_nothing_and_too_little_or_much_does():
    assert np.array_equal(wetted_share(_ones(0.9, 1.0, 1.3)), [1.0, 1.0, 1.0])
    assert wetted_share(_ones(0.5))[0] < 0.5
    assert wetted_share(_ones(0.0))[0] > 0.0
    assert np.array_equal(clear_share(_ones(0.5, 1.0)), [1.0, 1.0])
    assert clear_share(_ones(1.3))[0] < 0.9


def test_worn_valves_cost_more_work_for_each_unit_of_gas_but_less_in_all():
    ratio = _ones(1.0, 0.6)
    assert work_ratio(ratio)[0] == 1.0
    assert work_ratio(ratio)[1] > 1.0 > work_ratio(ratio)[1] * 0.6


def test_dust_and_a_dead_fan_take_from_the_condenser():
    faults = {
        "condenser_fan": _ones(1, 0, 0),
        "condenser_ratio": _ones(0.5, 1, 1),
        "charge_ratio": np.ones(3),
    }
    left = condenser_ratio(faults, has_fan=_ones(1, 1, 0))
    assert left == pytest.approx([0.5, FAN_DEAD_SHARE, 1.0])


def test_a_dusty_condenser_ends_hotter_whatever_the_step():
    machines = _sized(Cycles(["R134a"]))
    kept = {"air_c": _ones(32), "rejected_w": _ones(110), "machines": machines}
    ends = {}
    for ratio in (1.0, 0.4):
        for step_s in (5.0, 60.0):
            at = _ones(32)
            for _ in range(round(7200 / step_s)):
                at = condensing_after(at, conductance_ratio=_ones(ratio), step_s=step_s, **kept)
            ends[ratio, step_s] = at[0]
    assert ends[1.0, 5.0] == pytest.approx(ends[1.0, 60.0], abs=0.01)
    assert ends[0.4, 5.0] == pytest.approx(ends[0.4, 60.0], abs=0.05)
    assert ends[0.4, 60.0] > ends[1.0, 60.0] + 10.0
