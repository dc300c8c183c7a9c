from datetime import date

import numpy as np
import pytest

from services.analytics.power.capacity import Capacity, bounded, capacity_of, fade_of, usable_share
from services.domain import Bank, Supply, Unit, UnitSettings
from services.timebase import DAY_MS, ms_of_iso


def test_unknown_age_means_seven_tenths_of_the_label_and_a_wide_range():
    bank = Bank(id="bank-1", chemistry="agm", nominal_v=12, capacity_ah=100)
    unit = Unit(id="unit-1", kind="fridge", supply=Supply(bank="bank-1"))
    unknown = capacity_of(UnitSettings.of(unit, bank=bank), as_of_ms=0)
    assert (unknown.ah, unknown.share_sd) == (70.0, 0.20)
    assert "age unknown" in unknown.assumed
    dated = bank.model_copy(update={"installed": date(2024, 1, 1)})
    known = capacity_of(UnitSettings.of(unit, bank=dated), as_of_ms=ms_of_iso("2026-01-01T00:00:00Z"))
    assert known.ah == pytest.approx(92.0, abs=0.1)
    assert known.assumed is None
    old = capacity_of(UnitSettings.of(unit, bank=dated), as_of_ms=ms_of_iso("2050-01-01T00:00:00Z"))
    assert old.ah == 60.0


def test_a_measured_capacity_lowers_the_believed_one_and_never_raises_it():
    believed = Capacity(70.0, 0.2, None)
    assert bounded(believed, 30.0).ah == 30.0
    assert "30 Ah" in bounded(believed, 30.0).assumed
    for measured in (None, 65.0, 200.0):
        assert bounded(believed, measured) == believed
    assert bounded(None, 30.0) is None


def test_cold_takes_capacity_and_heat_gives_no_more_than_the_cap():
    """Sizing factor 1.52 at -3.9, 1.19 at 10, 1 at 25 and 0.89 at 40.6 °C (table from memory)."""
    found = usable_share(np.array([-3.9, 10.0, 25.0, 40.6, 51.7, np.nan]), lithium=False)
    assert found == pytest.approx([1 / 1.52, 1 / 1.19, 1.0, 1.08, 1.08, 1.0])
    assert usable_share(0.0, lithium=True) == pytest.approx(0.875)
    assert usable_share(40.0, lithium=True) == pytest.approx(1.0)


def weeks(count, per_year=-0.3, noise=0.01, seed=2):
    rng = np.random.default_rng(seed)
    return [
        (week * 7 * DAY_MS, 80.0 * (1 + per_year * week / 52.18 + rng.normal(0, noise)))
        for week in range(count)
    ]


def test_a_fading_battery_is_told_with_a_range_that_holds_the_truth():
    fade = fade_of(weeks(26))
    assert fade.low_per_year < -0.3 / 0.925 < fade.high_per_year
    assert fade.share_per_year == pytest.approx(-0.3 / 0.925, abs=0.05)
    assert fade.values == 26


def test_a_steady_battery_shows_no_fade_beyond_its_range():
    fade = fade_of(weeks(26, per_year=0.0))
    assert fade.low_per_year < 0.0 < fade.high_per_year


def test_too_few_weeks_make_no_trend():
    assert fade_of(weeks(7)) is None
    assert fade_of([(k * DAY_MS, 80.0) for k in range(9)]) is None
