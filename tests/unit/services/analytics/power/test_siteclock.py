import numpy as np

from services.analytics.power.siteclock import by_night, site_hour, site_offset_ms, sunlit
from services.domain import Site, Supply, Unit, UnitSettings
from services.timebase import DAY_MS, HOUR_MS


def at_lusaka(panel_wp=0.0):
    site = Site(id="vehicle-3", name="Vehicle 3", kind="vehicle", timezone="Africa/Lusaka")
    unit = Unit(id="unit-1", kind="fridge", site="vehicle-3", supply=Supply(panel_wp=panel_wp))
    return UnitSettings.of(unit, site=site)


def hours(*utc):
    return np.array([DAY_MS + h * HOUR_MS for h in utc], dtype=np.int64)


def test_site_hours_follow_the_site_clock():
    assert site_hour(hours(0), at_lusaka()).tolist() == [2]
    assert site_offset_ms(hours(0), at_lusaka()) == 2 * HOUR_MS


def test_night_is_from_nineteen_to_five_there():
    assert by_night(hours(2, 3, 16, 17), at_lusaka()).tolist() == [True, False, False, True]


def test_only_a_declared_panel_sees_the_sun():
    assert sunlit(hours(2, 10), at_lusaka(120.0)).tolist() == [False, True]
    assert not sunlit(hours(2, 10), at_lusaka()).any()
