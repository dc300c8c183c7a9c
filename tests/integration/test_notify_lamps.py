"""Lamps at a real broker: each reads its own topic and no more, and finds what stands when it comes back."""

import json
import ssl

import pytest

from deploy.lamps import NOTIFY_USER, LampDesk, notify_secret
from deploy.messenger import lamp_broker
from deploy.provisioning import tell_broker
from services.clock import now_ms
from services.errors import ConfigurationError
from services.notify.failures import NotTakenError
from services.notify.lamp import LampSender
from services.settings import Settings
from services.telemetry.topics import lamp_topic
from tests.helpers.messages import message
from tests.helpers.secure_broker import knock, secure_broker, wait_for

pytestmark = pytest.mark.integration


@pytest.fixture
def broker(tmp_path):
    with secure_broker(tmp_path) as made:
        yield made


def lamps(broker):
    return LampDesk(broker.folder, broker.records, who="Ada Ndlovu", now_ms=now_ms())


def sender(broker, tmp_path):
    settings = Settings(
        data=tmp_path, broker_folder=broker.folder.path, broker_url=f"mqtt://127.0.0.1:{broker.service_port}"
    )
    return LampSender(lambda: lamp_broker(settings))


def come_in(broker, user, secret):
    context = ssl.create_default_context(cafile=broker.folder.ca)
    return knock(broker.port, user=user, password=secret, context=context)


def show(pattern, **changes):
    plain = {"kind": "lamp", "target": "boma-lamp", "data": {"pattern": pattern}}
    return message(f"lamp.{pattern}", **{**plain, **changes})


def patterns(client):
    return [json.loads(payload)["pattern"] for _, payload in client.got]


def test_a_lamp_is_told_what_stands_also_when_it_was_away_and_nobody_else_is(broker, tmp_path):
    send = sender(broker, tmp_path)
    with pytest.raises(NotTakenError, match="No lamp was let in"):
        send(show("flash"))
    user, secret = lamps(broker).add_lamp("boma-lamp")
    other, other_secret = lamps(broker).add_lamp("kopje-lamp")
    unit_secret = broker.secret_of("boma-lamp")
    assert lamps(broker).lamps() == ("boma-lamp", "kopje-lamp")
    assert [name for name, _ in broker.desk.holders()] == ["boma-lamp"], "a lamp is no unit"
    assert tell_broker(broker.folder)
    assert wait_for(lambda: send(show("steady")).startswith("Taken by the broker."), 30.0)
    lamp, stranger, unit = (
        come_in(broker, *pair) for pair in ((user, secret), (other, other_secret), ("boma-lamp", unit_secret))
    )
    for client in (lamp, stranger, unit):
        assert client.let_in
        client.subscribe(lamp_topic("boma-lamp"))
    for client in (stranger, unit):
        client.subscribe("#")
    assert wait_for(lambda: patterns(lamp) == ["steady"], 30.0), "what stands waits for a lamp that was away"
    assert send(show("flash")) == "Taken by the broker."
    send(show("flash", about="test", data={}))
    assert wait_for(lambda: patterns(lamp)[-2:] == ["flash", "flash"], 30.0)
    assert lamp.publish(lamp_topic("boma-lamp"), b"{}") == 0x87
    assert unit.publish(lamp_topic("boma-lamp"), b"{}") == 0x87
    assert stranger.got == unit.got == []
    teller = come_in(broker, NOTIFY_USER, notify_secret(broker.folder.path))
    assert teller.publish("cold/v1/05/boma-lamp/down/cmd", b"{}") == 0x87, "who tells lamps commands no unit"
    for client in (lamp, stranger, unit, teller):
        client.leave()


def test_a_lamp_that_is_shut_out_stays_out_and_a_new_credential_replaces_the_old(broker):
    desk = lamps(broker)
    user, first = desk.add_lamp("boma-lamp")
    with pytest.raises(ConfigurationError, match="has a credential"):
        desk.add_lamp("boma-lamp")
    _, second = desk.add_lamp("boma-lamp", again=True)
    tell_broker(broker.folder)
    assert wait_for(lambda: come_in_and_leave(broker, user, second), 30.0)
    assert not come_in_and_leave(broker, user, first)
    desk.revoke_lamp("boma-lamp")
    assert "boma-lamp" not in broker.folder.rules.read_text()
    tell_broker(broker.folder)
    assert wait_for(lambda: not come_in_and_leave(broker, user, second), 30.0)
    with pytest.raises(ConfigurationError, match="no lamp of this broker"):
        desk.revoke_lamp("boma-lamp")
    with pytest.raises(ConfigurationError, match="not the name of a lamp"):
        desk.add_lamp("Boma/#")
    kinds = [(event.kind, event.about) for event in broker.records.operator_events()]
    assert kinds[0] == ("credential_revoked", "lamp.boma-lamp")


def come_in_and_leave(broker, user, secret):
    client = come_in(broker, user, secret)
    client.leave()
    return client.let_in
