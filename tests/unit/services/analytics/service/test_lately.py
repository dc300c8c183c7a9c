"""The last days against the weeks before: small changes that belong together, and what is not told."""

import numpy as np
import pytest

from services.analytics.service.lately import ALONE, PRESSING, TOGETHER, lately
from services.analytics.service.longrun import longrun_findings
from services.analytics.service.signals import days_of, followed_of
from services.analytics.service.weather import UNKNOWN
from services.domain import Bank, Supply, Unit, UnitSettings
from services.timebase import DAY_MS
from tests.helpers.health_days import FIRST_MS, made_days, ramp

SETTINGS = UnitSettings.of(
    Unit(id="cold-1", kind="fridge", supply=Supply(bank="b-1")),
    bank=Bank(id="b-1", chemistry="agm", nominal_v=12, capacity_ah=100),
)
DAYS = 100
LAST = {"begins": DAYS - 4, "grows": 0}


def late(*, from_ms=0, days=DAYS, **over):
    seen = days_of(made_days(days, **over), SETTINGS, UNKNOWN)
    return {one.followed.witness: one for one in lately(seen, followed_of(SETTINGS), from_ms=from_ms)}


@pytest.mark.parametrize("seed", range(6))
def test_sound_days_left_nothing(seed):
    assert late(seed=seed) == {}


def test_two_small_changes_that_belong_together_are_seen_and_either_alone_is_not():
    weaker, more = ramp(DAYS, to=0.94, **LAST), ramp(DAYS, to=1.11, **LAST)
    assert late(cooling=weaker) == {}
    assert late(path=more) == {}
    both = late(cooling=weaker, path=more)
    assert set(both) == {"running", "steps"}
    assert sum(one.weight for one in both.values()) >= TOGETHER
    assert (both["running"].move.up, both["steps"].move.up) == (False, True)
    assert all(one.since_ms >= FIRST_MS + (DAYS - 6) * DAY_MS for one in both.values())


def test_they_are_told_within_days_and_send_nobody_while_they_come_to_little():
    over = {"cooling": ramp(DAYS, to=0.94, **LAST), "path": ramp(DAYS, to=1.11, **LAST)}
    (finding,) = longrun_findings(made_days(DAYS, **over), (), SETTINGS, as_of_ms=FIRST_MS + DAYS * DAY_MS)
    assert finding.finding == "cooling weaker while the current rises"
    assert "dust on the condenser, or a hot or blocked niche" in finding.could_be
    assert not finding.call_out
    assert any("last weeks" in row.source for row in finding.evidence)
    more = {"cooling": ramp(DAYS, to=0.9, **LAST), "path": ramp(DAYS, to=1.2, **LAST)}
    (finding,) = longrun_findings(made_days(DAYS, **more), (), SETTINGS, as_of_ms=FIRST_MS + DAYS * DAY_MS)
    assert finding.call_out
    assert sum(one.weight for one in late(**more).values()) >= PRESSING


def test_more_power_drawn_is_enough_by_itself_and_falling_power_is_another_fault():
    more = ramp(DAYS, to=1.045, **LAST)
    seen = late(current=more, path=1.0 / more)
    assert set(seen) == {"current"}
    assert seen["current"].weight >= ALONE["current"]
    assert late(current=1.0 / more, path=more) == {}


def test_what_the_warmer_air_does_is_no_fault():
    warmer = np.where(np.arange(DAYS) < DAYS - 4, 0.0, 6.0)
    assert late(warmer_k=warmer) == {}


def test_a_machine_just_mended_has_no_weeks_before():
    over = {"cooling": ramp(DAYS, to=0.8, **LAST), "path": ramp(DAYS, to=1.3, **LAST)}
    assert late(**over)
    assert late(from_ms=FIRST_MS + (DAYS - 20) * DAY_MS, **over) == {}
