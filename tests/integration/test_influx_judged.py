"""The same samples are judged the same, whichever database they are read from."""

import contextlib

import pytest

from services.telemetry import Sample
from tests.helpers.house import DAY_MS, HOUR_MS, MINUTE_MS, House, minutes
from tests.helpers.influx_server import InfluxServers
from tests.helpers.made import NOON_MS

pytestmark = pytest.mark.integration


@pytest.fixture
def houses(tmp_path):
    with contextlib.ExitStack() as stack:
        servers = InfluxServers(tmp_path / "server")
        stack.callback(servers.stop)
        both = [House(tmp_path / "sqlite"), House(tmp_path / "influx", influx=servers.empty_bucket())]
        for house in both:
            stack.callback(house.close)
        yield both


def judged(house):
    card = house.card()
    analysis = house.records.analysis("v3-meat")
    return card.model_dump(mode="json"), analysis


def test_a_warm_spell_a_backlog_and_an_unset_clock_are_judged_alike(houses):
    start_ms = NOON_MS - 2 * DAY_MS
    warm = minutes([9.5 if 200 <= n < 500 else 3.0 for n in range(600)], end_ms=start_ms + 599 * MINUTE_MS)
    backlog, live = warm[100:400], [*warm[:100], *warm[400:]]
    unset = [
        Sample("v3-meat", 2, sq, 1_000 * sq, 0, {"cabinet": 4.0, "compressor": True}, sq * 60.0)
        for sq in range(30)
    ]
    known_ms = start_ms + 11 * HOUR_MS
    known = Sample("v3-meat", 2, 30, known_ms, 2, {"cabinet": 4.0, "compressor": True}, 30 * 60.0)
    for samples, after_ms in (
        (live, 600 * MINUTE_MS),
        (backlog, 605 * MINUTE_MS),
        (unset, 11 * HOUR_MS),
        ([known], 11 * HOUR_MS + MINUTE_MS),
    ):
        found = []
        for house in houses:
            house.hear(samples, at_ms=start_ms + after_ms)
            house.look(start_ms + after_ms)
            found.append(judged(house))
        assert found[0] == found[1]
        assert found[0][1] is not None
    series = [house.reader.read("v3-meat", 0, 2**62) for house in houses]
    assert series[0].t_ms.tolist() == series[1].t_ms.tolist()
    assert len(series[0]) == 631
    assert found[0][0]["standing"] in {"hold", "discard_advised"}, "the warm spell came to light"
