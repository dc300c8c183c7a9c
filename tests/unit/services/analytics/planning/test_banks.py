import numpy as np
import pytest

from services.analytics.planning import banks
from services.analytics.power.curves import CURVES


def soc_at(volts, **changes):
    terms = {
        "curve": CURVES["agm"],
        "capacity_ah": np.array([80.0]),
        "unit_a": 4.2,
        "other_a": 0.0,
        "cable_ohm_12": np.array([0.05]),
        "curve_shift_v": np.array([0.0]),
        "lithium": False,
    }
    return float(banks.soc_at_voltage(np.array([volts]), **(terms | changes))[0])


def test_a_thicker_cable_and_a_bigger_bank_let_a_cabinet_go_lower():
    usual = soc_at(11.4)
    assert soc_at(11.4, cable_ohm_12=np.array([0.15])) > usual
    assert soc_at(11.4, capacity_ah=np.array([200.0])) < usual
    assert soc_at(11.4, curve_shift_v=np.array([0.1])) < usual
    assert soc_at(11.4, other_a=10.0) > usual


def test_a_voltage_no_bank_reaches_is_never_enough():
    assert soc_at(13.5) == 1.0
    assert soc_at(5.0) == 0.0


def test_at_rest_the_table_itself_is_read():
    assert soc_at(12.25, unit_a=0.0) == pytest.approx(0.5, abs=0.005)


def test_a_24_v_system_feels_half_the_ohms():
    twelve = banks.path_ohm_12(length_m=5, section_mm2=4, nominal_v=12)
    assert banks.path_ohm_12(length_m=5, section_mm2=4, nominal_v=24) == pytest.approx(twelve / 2)


def test_a_bank_neither_overflows_nor_goes_below_empty():
    missing = np.array([0.0, 50.0, 1.0])
    after = banks.missing_after(
        missing,
        np.full(3, 50.0),
        net_a=np.array([20.0, -30.0, 30.0]),
        efficiency=0.85,
        taper=banks.Taper(lithium=False),
        step_h=1.0,
    )
    assert after.tolist() == pytest.approx([0.0, 50.0, 1.0 - 0.85 / banks.FINISH_H])


def test_lithium_takes_all_until_nearly_full():
    taken = banks.accepted_a(np.array([10.0]), np.array([100.0]), banks.Taper(lithium=True))
    assert taken[0] > 100.0
    assert banks.accepted_a(np.array([10.0]), np.array([100.0]), banks.Taper(lithium=False))[0] < 5.0


def test_panels_give_nothing_in_the_dark_and_less_under_clouds():
    clear = banks.panel_a(
        np.array([0.0, 1000.0]), panel_wp=np.array(100.0), cloud_share=np.array(0.0), nominal_v=12
    )
    cloudy = banks.panel_a(
        np.array([1000.0]), panel_wp=np.array(100.0), cloud_share=np.array(0.5), nominal_v=12
    )
    assert clear[0] == 0.0
    assert clear[1] == pytest.approx(67 / 13.5)
    assert cloudy[0] == pytest.approx(clear[1] / 2)
