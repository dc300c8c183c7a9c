import pytest

from services.analytics.power.wells import (
    LEAD_ACID_WELLS,
    LITHIUM_WELLS,
    tilt_after,
    tilt_while_running,
    wells_of,
)
from services.domain import Supply, Unit, UnitSettings
from tests.helpers.oracle_wells import wells_after


def test_charge_is_neither_made_nor_lost():
    one, two = wells_after(40.0, 20.0, current_a=3.0, hours=2.0, wells=LEAD_ACID_WELLS)
    assert one + two == pytest.approx(54.0)


def test_rest_levels_the_wells_out():
    tilt = tilt_after(0.0, current_share_per_h=0.1, hours=3.0, wells=LEAD_ACID_WELLS)
    assert tilt < -0.03
    assert abs(tilt_after(tilt, current_share_per_h=0.0, hours=8.0, wells=LEAD_ACID_WELLS)) < 1e-4


def test_lithium_hardly_tilts():
    lead, lithium = (
        tilt_after(0.0, current_share_per_h=0.05, hours=5.0, wells=wells)
        for wells in (LEAD_ACID_WELLS, LITHIUM_WELLS)
    )
    assert abs(lithium) < 0.05 * abs(lead)


def test_the_chemistry_of_the_file_chooses_the_wells():
    lithium = UnitSettings.of(Unit(id="unit-1", kind="fridge", supply=Supply(chemistry="lifepo4")))
    bare = UnitSettings.of(Unit(id="unit-1", kind="fridge"))
    assert wells_of(lithium) is LITHIUM_WELLS
    assert wells_of(bare) is LEAD_ACID_WELLS


def test_long_and_frequent_runs_leave_more_behind():
    def left(duty, run_h):
        return tilt_while_running(running_share_per_h=0.05, duty=duty, run_h=run_h, wells=LEAD_ACID_WELLS)

    assert left(1.0, 0.25) == pytest.approx(0.05 * (1 - 0.703) / (0.703 * 1.011))
    assert left(0.1, 0.25) < left(0.4, 0.25) < left(0.4, 2.0) < left(1.0, 2.0) + 1e-12
    assert left(0.0, 0.0) == 0.0
