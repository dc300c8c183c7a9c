"""Rows 16, 18, 19 and 20 of the security checklist: floods, lost networks, herds, and what is told of it."""

import os
import statistics
import subprocess
import sys
import threading
import time

import pytest

from deploy import password_file, provisioning
from deploy.broker_setup import write_private
from services.clock import now_ms
from services.ingest.brokerlog import FLOODING, ODD, REFUSED, TAKEN_OVER_OFTEN
from services.store.sqlite import SqliteReader
from services.telemetry import topics
from services.telemetry.packs import encode_pack
from services.tls import client_context
from tests.helpers.crowd import Crowd
from tests.helpers.flood import flood
from tests.helpers.ingest_thread import running_ingest
from tests.helpers.rig import Rig, until
from tests.helpers.secure_broker import knock, secure_broker, wait_for
from tests.helpers.units import sample_of

pytestmark = pytest.mark.integration

MEAT, FISH = "v3-meat", "v3-fish"
UNITS = 500


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    """A running broker that two units may enter."""
    with secure_broker(tmp_path_factory.mktemp("load")) as made:
        made.secrets = {unit: made.secret_of(unit) for unit in (MEAT, FISH)}
        made.context = client_context(made.folder.ca)
        provisioning.tell_broker(made.folder)
        assert wait_for(lambda: _enter(made, FISH, leave=True).let_in)
        yield made


def _enter(house, unit, *, leave=False):
    made = knock(house.port, user=unit, password=house.secrets[unit], context=house.context)
    if leave:
        made.leave()
    return made


def test_16_a_flooding_unit_is_held_back_and_does_not_delay_another(house, tmp_path):
    with running_ingest(house.service(), tmp_path, known={MEAT, FISH}) as running:
        fish = _enter(house, FISH)
        reader = SqliteReader(tmp_path / "telemetry.db")
        with flood(house, MEAT):
            assert running.wait_for(lambda: running.counters["capped"] > 0, 20.0)
            delays_s = []
            for sq in range(30):
                begun_s = time.monotonic()
                fish.publish(topics.topic(FISH, "up/data"), encode_pack([sample_of(FISH, sq)]))
                assert running.wait_for(lambda: reader.marks(FISH).get(1, -1) >= sq, 15.0), f"sample {sq}"  # noqa: B023
                delays_s.append(time.monotonic() - begun_s)
            assert running.wait_for(lambda: any(a.kind == FLOODING for a in running.alerts))
        reader.close()
        fish.leave()
        assert {alert.about for alert in running.alerts if alert.kind == FLOODING} == {MEAT}
        assert running.counters["capped"] > 1_000
        assert statistics.median(delays_s) < 2.0, delays_s


def test_18_a_unit_without_its_broker_goes_on_and_brings_everything_over_tls(house, tmp_path):
    credentials = tmp_path / "credentials"
    credentials.write_text(f"{MEAT}:{house.secrets[MEAT]}\n")
    rig = Rig(MEAT, tmp_path, begins_ms=now_ms() - 86_400_000)
    with running_ingest(house.service(), tmp_path, known={MEAT}) as running:
        rig.measure(5)
        with rig.on_air(house.unit_address(credentials)):
            assert until(rig.all_confirmed)
            house.stop()
            rig.measure(200, network=False)
            house.start()
            rig.measure(1)
            assert until(rig.all_confirmed, within_s=45.0)
        stored = running.store.read(MEAT, 0, 2**62)
        assert len(stored) == 206
        assert set(stored.t_ms.tolist()) == set(rig.true)
        assert running.counters["conflicts"] == 0
    rig.switch_off()


def test_19_five_hundred_units_that_lost_their_broker_come_back_spread_out(house):
    secrets = {f"herd-{number:03d}": f"secret-{number}" for number in range(UNITS)}
    before = house.folder.passwords.read_text()
    lines = "".join(password_file.line(unit, secret) for unit, secret in secrets.items())
    write_private(house.folder.passwords, (before + lines).encode(), owner=house.folder.owner)
    assert provisioning.tell_broker(house.folder)
    crowd = Crowd("127.0.0.1", house.port, house.context, secrets)
    time.sleep(1.0)
    crowd.start()
    try:
        assert wait_for(lambda: len(crowd.connected) == UNITS, 180.0), (len(crowd.connected), crowd.failed)
        assert crowd.refused == 0
        house.stop()
        assert wait_for(lambda: not crowd.connected, 20.0)
        lost_s = crowd.now_s()
        house.start()
        assert wait_for(lambda: len(crowd.connected) == UNITS, 180.0), len(crowd.connected)
        assert crowd.refused == 0
        # Ten seconds of spread: twenty-five a half second if perfectly even, five hundred without it.
        assert crowd.peak(0.5, since_s=lost_s - 1.0) < UNITS / 4
    finally:
        crowd.stop()
        write_private(house.folder.passwords, before.encode(), owner=house.folder.owner)


def test_20_refused_log_ins_and_odd_reconnects_are_told(house, tmp_path):
    with running_ingest(house.service(), tmp_path, known={MEAT}) as running:
        wrong = "not-the-secret"
        for _ in range(7):
            knock(house.port, user=MEAT, password=wrong, context=house.context).leave()
        assert running.wait_for(lambda: running.counters["refused_logins"] == 7)
        (refused,) = [alert for alert in running.alerts if alert.kind == REFUSED]
        assert refused.about == "broker"
        assert refused.body["count"] >= 1
        assert refused.body["among"] == ["127.0.0.1"]
        assert wrong not in str(running.alerts)
        twins = [_enter(house, FISH) for _ in range(TAKEN_OVER_OFTEN + 1)]
        assert running.wait_for(lambda: any(alert.kind == ODD for alert in running.alerts))
        for twin in twins:
            twin.leave()
        assert {alert.about for alert in running.alerts if alert.kind == ODD} == {FISH}


def test_20_what_is_odd_is_kept_by_the_real_service_and_shown(house, tmp_path):
    """Ingest as its own process over TLS, with its password in a file."""
    secret = tmp_path / "secret"
    secret.write_text(house.service().password + "\n")
    environment = {
        **os.environ,
        "BUSHLARDER_BROKER_USER": "service.ingest",
        "BUSHLARDER_BROKER_PASSWORD_FILE": str(secret),
        "BUSHLARDER_BROKER_CA": str(house.folder.ca),
    }
    command = [sys.executable, "-m", "deploy.cli"]
    place = ["--data", str(tmp_path)]
    with (tmp_path / "ingest.log").open("wb") as log:
        ingest = subprocess.Popen(
            [*command, "ingest", "--broker", house.url, *place], env=environment, stdout=log, stderr=log
        )
    try:
        assert wait_for(lambda: "ingest.broker.connected" in (tmp_path / "ingest.log").read_text(), 40.0), (
            tmp_path / "ingest.log"
        ).read_text()
        time.sleep(0.5)
        knock(house.port, user=MEAT, password="wrong", context=house.context).leave()  # noqa: S106
        look = [*command, "unit", "list", "--broker-folder", str(house.folder.path), *place]
        assert wait_for(
            lambda: REFUSED in subprocess.run(look, capture_output=True, text=True, check=True).stdout, 40.0
        )
    finally:
        ingest.terminate()
        ingest.wait(15.0)
    assert secret.read_text().strip() not in (tmp_path / "ingest.log").read_text()
    assert threading.active_count() < 50
