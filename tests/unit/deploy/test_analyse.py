import numpy as np
import pytest

from deploy.analyse import analyse, as_text, zone_of
from services.domain import Runout
from services.domain.fleetfile import parse_unit_file
from services.errors import ConfigurationError
from services.telemetry.logfile import parse_log
from services.timebase import iso_of
from tests.helpers.logs import MIDNIGHT_MS, MINUTE_MS

UNIT = parse_unit_file('[unit]\nid = "v3-meat"\nkind = "fridge"\n', name="unit.toml")
HOUR_OF_COLD = "time,cabinet_c\n" + "".join(
    f"{iso_of(MIDNIGHT_MS + m * MINUTE_MS)},{2 + m % 10 / 10}\n" for m in range(60)
)


def answered(*, at=None, max_gap_min=None):
    return analyse(parse_log(HOUR_OF_COLD), UNIT, at=at, max_gap_min=max_gap_min)


@pytest.mark.parametrize("limit", [np.nan, np.inf, 0.0, -5.0])
def test_a_gap_limit_that_is_no_length_of_time_is_refused(limit):
    with pytest.raises(ConfigurationError, match="max-gap-min"):
        answered(max_gap_min=limit)


@pytest.mark.parametrize(
    "at", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "2026-01-01", "1969-01-01T00:00:00Z"]
)
def test_an_as_of_time_no_calendar_of_ours_holds_is_refused(at):
    with pytest.raises(ConfigurationError, match="--at"):
        answered(at=at)


@pytest.mark.parametrize("name", ["Africa", "../etc", "", "Nowhere/Here", "x" * 300])
def test_a_zone_that_is_none_is_the_operators_fault(name):
    with pytest.raises(ConfigurationError, match="--timezone"):
        zone_of(name)


def test_hours_of_a_unit_that_charges_say_from_when_they_count():
    hours = {"hours_p10": 9.0, "hours_p50": 12.0, "hours_p90": 15.0}
    runout = Runout(reason="charging", if_charging_stops_at=MIDNIGHT_MS, food_at_risk_reason="none", **hours)
    words = as_text(answered().model_copy(update={"runout": runout}))
    assert f"once charging stops at {iso_of(MIDNIGHT_MS)}" in words
