import numpy as np
import pytest

from firmware_sim.plant.cabinet import box_shell
from firmware_sim.plant.sizes import leaders
from firmware_sim.scenarios.model import FleetCompressor, FleetUnit
from tests.helpers.one_cabinet import plant, unit


def _unit(name, shared_with=None):
    return FleetUnit(id=name, kind="fridge", site="here", compressor=FleetCompressor(shared_with=shared_with))


def test_units_cool_themselves_unless_they_share():
    assert list(leaders((_unit("a"), _unit("b"), _unit("c", "a")))) == [0, 1, 0]


def test_of_two_that_name_each_other_the_first_owns_the_machine():
    assert list(leaders((_unit("a", "b"), _unit("b", "a")))) == [0, 0]


def test_measures_win_over_a_given_loss(tmp_path):
    text = '[[unit]]\nid = "box"\nshell_w_per_k = 9\ninside_mm = [600, 360, 380]\nwall_mm = 60\n'
    sizes = plant(tmp_path, unit(3.0), physics=text).sizes
    shell = box_shell(length_m=0.6, width_m=0.36, height_m=0.38, wall_m=0.06, foam_w_per_m_k=0.024)
    assert sizes.walls_w_per_k[0] == pytest.approx(shell.walls_w_per_k)
    assert sizes.seal_w_per_k[0] == pytest.approx(shell.seal_w_per_k)
    assert sizes.volume_m3[0] == pytest.approx(0.08208)


def test_a_given_loss_is_split_between_walls_and_a_seal_of_the_volume(tmp_path):
    text = '[[unit]]\nid = "small"\n[[unit]]\nid = "large"\n'
    units = (unit(3.0, name="small", volume_l=30), unit(3.0, name="large", volume_l=240))
    sizes = plant(tmp_path, *units, physics=text).sizes
    assert sizes.walls_w_per_k + sizes.seal_w_per_k == pytest.approx([0.62, 0.62])
    assert sizes.seal_w_per_k[1] == pytest.approx(2.0 * sizes.seal_w_per_k[0])
    assert sizes.volume_m3 == pytest.approx([0.030, 0.240])


def test_a_door_opens_a_side_and_a_lid_the_top(tmp_path):
    text = '[[unit]]\nid = "a"\nopening = "door"\n[[unit]]\nid = "b"\n'
    units = (unit(3.0, name="a"), unit(3.0, name="b"))
    sizes = plant(tmp_path, *units, physics=text).sizes
    assert sizes.opening_m2[0] > sizes.opening_m2[1]
    assert sizes.passing_share == pytest.approx([1.0, 0.2])


def test_without_a_battery_no_volts_are_guarded_and_fixed_speed_is_full_speed(tmp_path):
    limits = plant(tmp_path, unit(3.0)).sizes.limits
    assert limits.cutout_v[0] == limits.restart_v[0] == 0.0
    assert limits.lowest_speed_share[0] == 1.0


def test_the_rated_current_is_the_power_of_machine_and_fans_together(tmp_path):
    sizes = plant(tmp_path, unit(3.0, compressor="running_a = 4.0")).sizes
    cycle = sizes.cycles.at(np.array([3.0 - 12.0]), np.array([44.0]))
    drawn = 1000.0 * sizes.machines.swept_m3_per_s * cycle.work_kj_per_m3 / sizes.machines.electric_efficiency
    assert drawn[0] + 2.5 == pytest.approx(48.0)
