import numpy as np
import pytest

from services.analytics.power.charging import charging_at
from services.analytics.power.curves import CURVES
from services.analytics.power.frame import frame_of
from services.analytics.service.acceptance import fast_absorption
from services.telemetry import Series
from tests.helpers.made_supply import START_MS, Story, settings_for


def found(*, rest_v, minutes, days=4, chemistry="agm"):
    """Charge once a day: from a rest voltage up to 14.4 V in so many minutes."""
    volts, on = [], []
    for _ in range(days):
        rise = np.linspace(13.4, 14.4, max(minutes, 2)).tolist()
        volts += [rest_v] * 1200 + (rise + [14.4] * 240)[:240]
        on += ([1] * 10 + [0] * 20) * 48
    sag_v = 0.2 * np.array(on) * (np.array(volts) < 13.0)
    t_ms = START_MS + np.arange(len(volts), dtype=np.int64) * 60_000
    log = Series(t_ms, {"compressor_on": np.array(on, float), "battery_v": np.array(volts, float) - sag_v})
    settings = settings_for(Story(chemistry=chemistry))
    frame = frame_of(log, settings, None)
    charging = charging_at(frame, CURVES[chemistry])
    return fast_absorption(frame, charging, settings, as_of_ms=int(t_ms[-1]))


def test_a_bank_that_is_full_in_minutes_is_told_with_how_many():
    finding = found(rest_v=11.9, minutes=6)
    assert finding.finding == "absorption voltage within minutes"
    assert finding.evidence[0].value == pytest.approx(4.0, abs=2.0)
    assert "sulphated" in finding.check


@pytest.mark.parametrize(
    "case",
    [
        {"rest_v": 11.9, "minutes": 120},
        {"rest_v": 12.7, "minutes": 6},
        {"rest_v": 11.9, "minutes": 6, "days": 2},
        {"rest_v": 12.0, "minutes": 6, "chemistry": "lifepo4"},
    ],
)
def test_slow_ones_full_ones_few_ones_and_lithium_are_left_in_peace(case):
    assert found(**case) is None
