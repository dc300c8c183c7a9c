"""The service reaches its broker over the network, as the containers do: by TLS and the name it was given."""

import threading

import pytest

from deploy.broker_setup import SERVICE_USER
from services.ingest.access import Access
from services.ingest.brokerlog import FILTERS
from services.ingest.knock import refuse_open_door
from services.ingest.link import Link
from services.ingest.worker import Ingest
from services.store.sqlite import SqliteStore
from services.telemetry import topics
from services.telemetry.packs import encode_pack
from services.tls import client_context
from tests.helpers.secure_broker import knock, secure_broker, wait_for
from tests.helpers.units import sample_of

pytestmark = pytest.mark.integration
UNIT = "v3-meat"


def ingesting(access, store):
    """Return what ends an ingest that has begun."""
    link = Link(access, (*topics.service_filters(), *FILTERS))
    ingest = Ingest(store, link, known_units=lambda: frozenset({UNIT}))
    stop = threading.Event()
    thread = threading.Thread(target=ingest.run, args=(stop,))
    link.start()
    thread.start()

    def end():
        stop.set()
        thread.join(10.0)
        link.stop()

    assert wait_for(lambda: link.connected, 20.0)
    return end


def test_what_came_while_ingest_was_away_waits_for_it_and_confirmations_go_out(tmp_path):
    with secure_broker(tmp_path) as house:
        access = Access(
            house.url, user=SERVICE_USER, password=house.folder.service_secret.read_text(), ca=house.folder.ca
        )
        refuse_open_door(access)
        secret, context = house.secret_of(UNIT), client_context(house.folder.ca)
        house.stop()
        house.start()
        store = SqliteStore(tmp_path / "telemetry.db")
        end = ingesting(access, store)
        unit = knock(house.port, client_id=UNIT, user=UNIT, password=secret, context=context)
        try:
            assert unit.let_in
            unit.subscribe(topics.topic(UNIT, "down/ack"))

            def send(first):
                payload = encode_pack([sample_of(UNIT, sq) for sq in range(first, first + 5)])
                assert unit.publish(topics.topic(UNIT, "up/data"), payload) == 0

            send(0)
            assert wait_for(lambda: store.marks(UNIT) == {1: 4}, 20.0)
            assert wait_for(lambda: unit.got, 20.0)
            end()
            send(5)
            assert store.marks(UNIT) == {1: 4}
            end = ingesting(access, store)
            assert wait_for(lambda: store.marks(UNIT) == {1: 9}, 20.0)
        finally:
            end()
            unit.leave()
            store.close()
