"""A monitor that carries judgements on shows at every step what one that looks at everything shows."""

import tempfile
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from services.monitor.carrying import Carrying
from tests.helpers.house import MINUTE_MS, House, minutes, sample
from tests.helpers.made import NOON_MS

WAITS = {"runout", "cutouts", "cut_out_now", "service", "sensors", "bench"}
WAITS_IN_ANALYSIS = {"runout", "cutouts", "service", "sensors", "battery", "work", "assumed"}
"""What is looked at once a minute only, or at once when something may have turned."""

steps = st.lists(
    st.tuples(
        st.sampled_from([2.0, 2.0, 2.4, 4.3, 4.7, 6.0, 9.0]),
        st.sampled_from([3, 10, 20, 20, 45, 200]),
        st.sampled_from(["live", "live", "live", "live", "nothing", "skips", "late", "empty"]),
    ),
    min_size=6,
    max_size=12,
)
"""Temperature, seconds since the step before, what comes: a sample, none, one after a hole, an old one."""


class Never(Carrying):
    """Looks at everything every time."""

    def may(self, *_):
        return False


def heard(house, number, kind, now_ms, temperature_c):
    """Store what comes in one step; return the number of the next sample."""
    if kind == "empty":
        house.records.say_emptied("v3-meat", who="Asha", now_ms=now_ms - 10)
    if kind == "nothing":
        return number
    if kind == "late":
        house.hear([sample(7, now_ms - 40 * MINUTE_MS, 3.3, bid=9)], at_ms=now_ms)
    if kind == "skips":
        number += 1
    house.hear([sample(number, now_ms - 400, temperature_c)], at_ms=now_ms)
    return number + 1


def shown(house):
    """Return all that has to agree, as a page would read it."""
    analysis = house.records.analysis("v3-meat")
    told = {name: value for name, value in analysis.items() if name not in WAITS_IN_ANALYSIS}
    return house.card().model_dump(exclude=WAITS), told


@settings(
    max_examples=6,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
)
@given(steps)
def test_carried_cards_are_those_of_a_look_at_everything(drawn):
    with tempfile.TemporaryDirectory() as folder:
        houses = House(Path(folder) / "carrying"), House(Path(folder) / "whole")
        houses[1].monitor._carrying = Never(houses[1].reader)
        for house in houses:
            house.hear(minutes([2.0] * 90, end_ms=NOON_MS - 1000), at_ms=NOON_MS - 900)
            house.look(NOON_MS)
        number, now_ms = 90, NOON_MS
        for temperature_c, after_s, kind in drawn:
            now_ms += after_s * 1000
            numbers = [heard(house, number, kind, now_ms, temperature_c) for house in houses]
            number = numbers[0]
            step = houses[0].look(now_ms)
            houses[1].monitor._pending.urge(["v3-meat"])
            assert houses[1].look(now_ms).carried == 0
            if "v3-meat" in step.judged:
                assert shown(houses[0]) == shown(houses[1])
        for house in houses:
            house.close()
