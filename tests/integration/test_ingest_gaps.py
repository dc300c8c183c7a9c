"""A gap that stays open is asked for; what is gone is declared missing and confirmed as such."""

import pytest

from services.ingest import repair, worker
from services.telemetry import topics
from services.telemetry.packs import encode_pack
from tests.helpers.broker import running_broker
from tests.helpers.ingest_thread import running_ingest
from tests.helpers.units import Unit, connected, publish, sample_of

pytestmark = pytest.mark.integration

UNIT = "v3-meat"


@pytest.fixture(autouse=True)
def impatient(monkeypatch):
    """Ten minutes would be long for a test."""
    monkeypatch.setattr(repair, "GAP_PATIENCE_MS", 1_500)
    monkeypatch.setattr(worker, "GAPS_S", 0.3)


@pytest.mark.parametrize("kept", [True, False], ids=["unit still has them", "unit has lost them"])
def test_an_open_gap_is_asked_for_and_closed_one_way_or_the_other(tmp_path, kept):
    with (
        running_broker(tmp_path) as broker,
        running_ingest(broker.url, tmp_path, known={UNIT}) as running,
        connected(broker.url) as client,
    ):
        unit = Unit(broker.url, UNIT, [sample_of(UNIT, sq) for sq in range(4, 7)] if kept else [])
        try:  # the unit is connected but sends nothing by itself
            for sq in (*range(4), *range(7, 10)):
                publish(client, topics.topic(UNIT, "up/data"), encode_pack([sample_of(UNIT, sq)]))
            assert running.wait_for(lambda: running.store.newest_sq(UNIT) == {1: 9})
            assert running.store.marks(UNIT) == {1: 3}
            assert running.wait_for(lambda: running.store.marks(UNIT) == {1: 9}, 15.0)
            assert unit.questions[0] == {"bid": 1, "from": 4, "to": 6}
            skipped = [(each.from_sq, each.to_sq, each.reason) for each in running.store.skipped(UNIT)]
            assert skipped == ([] if kept else [(4, 6, "gone")])
            told = [] if kept else [{"bid": 1, "from": 4, "to": 6, "reason": "gone"}]
            assert running.wait_for(lambda: unit.skipped == told)
            assert len(running.store.read(UNIT, 0, 2**62)) == (10 if kept else 7)
        finally:
            unit.stop()
