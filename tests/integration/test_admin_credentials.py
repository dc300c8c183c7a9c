"""A unit is let in and shut out from the page, at the real broker that `setup broker` makes."""

import asyncio
import html
import os
import re
import time

import pytest

from deploy import broker_setup
from deploy.broker_setup import BrokerFolder
from deploy.credentials import BrokersRoom
from services.api.credentialport import ISSUED, REVOKED
from services.clock import now_ms
from services.errors import Refused
from services.telemetry import topics
from services.tls import client_context
from tests.helpers.guarded import CREW, Guarded
from tests.helpers.larder import open_larder
from tests.helpers.secure_broker import broker_account, knock, secure_broker, wait_for

pytestmark = pytest.mark.integration

MEAT, FISH = "v3-meat", "camp-fish"
NOT_AUTHORIZED = 0x87


@pytest.fixture
def house(tmp_path):
    """A broker, and pages from which its credentials are given."""
    larder = open_larder(tmp_path / "larder")
    with secure_broker(tmp_path) as broker:
        guarded = Guarded(larder)
        guarded.app.state.credentials = BrokersRoom(broker.folder, larder.records, lambda: guarded.now_ms)
        broker.context = client_context(broker.folder.ca)
        yield broker, guarded
    larder.close()


def asked(guarded, path, **data):
    """Ask for one thing on the page, as an administrator."""

    async def ask():
        async with guarded.come_in("administrator") as browser:
            page = await browser.post(path, data=data) if data else await browser.get(path)
            return page.status_code, page.text, page.headers

    return asyncio.run(ask())


def secret_in(page):
    return html.unescape(re.search(r'<p class="secret"><code>([^<]+)</code>', page)[1])


def let_in(broker, unit, secret):
    made = knock(broker.port, user=unit, password=secret, context=broker.context)
    made.leave()
    return made.let_in


def until(condition, within_s=40.0):
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        if condition():
            return True
        time.sleep(0.1)
    return False


def test_a_unit_is_given_its_credential_once_a_new_one_and_is_shut_out(house, tmp_path):
    broker, guarded = house
    status, page, headers = asked(guarded, f"/admin/credentials/{MEAT}/give", why="first fitted")
    secret = secret_in(page)
    assert (status, headers["cache-control"]) == (200, "no-store")
    assert f"127.0.0.1:{broker.port}" in page
    assert until(lambda: let_in(broker, MEAT, secret))
    assert not let_in(broker, FISH, secret)

    # Under its own name only.
    unit = knock(broker.port, user=MEAT, password=secret, context=broker.context)
    assert unit.publish(topics.topic(MEAT, "up/data")) != NOT_AUTHORIZED
    assert unit.publish(topics.topic(FISH, "up/data")) == NOT_AUTHORIZED

    # Shown once: not on the page again, in no file of broker, pages and records.
    _, again, _ = asked(guarded, f"/admin/credentials/{MEAT}")
    assert secret not in again
    _, twice, _ = asked(guarded, f"/admin/credentials/{MEAT}/give", why="once more")
    assert "A new one takes the old one away" in twice
    assert 'class="secret"' not in twice
    for folder in (broker.folder.path, tmp_path):
        for file in folder.rglob("*"):
            assert not (file.is_file() and secret.encode() in file.read_bytes()), file

    # A new one ends the old one, and the connection that stands on it.
    _, rotated, _ = asked(guarded, f"/admin/credentials/{MEAT}/give", why="lost its memory", again="yes")
    fresh = secret_in(rotated)
    assert fresh != secret
    assert wait_for(lambda: unit.lost, 40.0)
    unit.leave()
    assert until(lambda: let_in(broker, MEAT, fresh))
    assert not let_in(broker, MEAT, secret)

    # Shut out: the connection ends, and no other begins.
    unit = knock(broker.port, user=MEAT, password=fresh, context=broker.context)
    assert unit.let_in
    _, revoked, _ = asked(guarded, f"/admin/credentials/{MEAT}/revoke", why="stolen")
    assert "It is shut out" in revoked
    assert wait_for(lambda: unit.lost, 40.0)
    unit.leave()
    assert until(lambda: not let_in(broker, MEAT, fresh))
    events = guarded.records.operator_events(kinds=(ISSUED, REVOKED))
    assert [(e.kind, e.about, e.who, e.body["why"]) for e in reversed(events)] == [
        (ISSUED, MEAT, CREW["administrator"][0], "first fitted"),
        (ISSUED, MEAT, CREW["administrator"][0], "lost its memory"),
        (REVOKED, MEAT, CREW["administrator"][0], "stolen"),
    ]
    _, history, _ = asked(guarded, "/history?kind=account")
    assert "credential of a unit taken away (why: stolen)." in history


def test_a_unit_off_the_list_can_still_be_shut_out(house):
    broker, guarded = house
    asked(guarded, "/admin/credentials/camp-new/give", why="first fitted")
    _, page, _ = asked(guarded, "/admin/change/unit/camp-new")
    row = re.search(r'name="row" value="(\d+)"', page)[1]
    assert asked(guarded, "/admin/retire/unit/camp-new", why="sold", row=row)[0] == 303
    _, overview, _ = asked(guarded, "/admin")
    assert "Off the list, and still let in by the broker" in overview
    status, _, _ = asked(guarded, "/admin/credentials/camp-new/revoke", why="sold")
    assert status == 200
    assert "camp-new" not in BrokersRoom(broker.folder, guarded.records, now_ms).holders()
    assert asked(guarded, "/admin/credentials/camp-new/give", why="back")[0] == 404


def test_where_the_page_may_not_write_the_command_is_shown_and_nothing_is_done(tmp_path, monkeypatch):
    larder = open_larder(tmp_path / "larder")
    folder, mutual = BrokerFolder(tmp_path / "broker"), BrokerFolder(tmp_path / "mutual")
    broker_setup.set_up(folder, ["camp.example"], now_ms=now_ms(), owner=broker_account())
    broker_setup.set_up(mutual, ["camp.example"], now_ms=now_ms(), owner=broker_account(), mutual=True)
    guarded = Guarded(larder)
    assert BrokersRoom(None, larder.records, now_ms).hindrance() == "no_broker"
    assert BrokersRoom(mutual, larder.records, now_ms).hindrance() == "certificates"
    room = guarded.app.state.credentials = BrokersRoom(folder, larder.records, now_ms)
    assert room.hindrance() is None
    folder.passwords.chmod(0o400)
    uid = os.geteuid() or 54_321  # root may write everything: be somebody else
    monkeypatch.setattr("deploy.credentials.os.geteuid", lambda: uid)
    monkeypatch.setattr("deploy.credentials.os.access", lambda *_: False)
    assert room.hindrance() == "rights"
    with pytest.raises(Refused):
        room.give(MEAT, who="Ada B.", why="w", again=False)
    status, page, _ = asked(guarded, f"/admin/credentials/{MEAT}/give", why="w")
    assert status == 409
    assert "bushlarder unit add v3-meat --who &#39;Ada B.&#39;" in page
    assert larder.records.operator_events(kinds=(ISSUED,)) == []
    larder.close()
