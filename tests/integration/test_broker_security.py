"""The broker rows of the security checklist, against the real broker that `setup broker` makes.

The number in a name is the row. Rows that older tests hold: 14 (bombs, depth, counts) in
tests/properties/test_telemetry_packs.py and tests/unit/services/telemetry/test_wire.py; 18 in
tests/integration/test_ingest_kill.py and test_firmware_links.py; the silent unit of row 20 in
tests/unit/services/monitor/test_worker.py. Load and events (16, 19, 20) are in test_broker_load.py.
"""

import base64
import random
import re
import secrets
import ssl
import stat
import subprocess
import sys
import threading
import time
import warnings
import zlib

import psutil
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode
from rich.console import Console

from deploy import broker_setup, lodge_box, provisioning
from deploy.broker import broker as any_broker
from deploy.broker import find_mosquitto
from deploy.broker_setup import BrokerFolder
from services.clock import now_ms
from services.errors import ConfigurationError
from services.ingest.access import Access
from services.ingest.knock import refuse_open_door
from services.ingest.worker import run_ingest
from services.records.facade import Records
from services.settings import Settings
from services.telemetry import topics
from services.telemetry.packs import encode_pack
from services.tls import client_context
from tests.helpers.broker import free_port
from tests.helpers.ingest_thread import running_ingest
from tests.helpers.rig import Rig, until
from tests.helpers.secure_broker import as_root, broker_account, knock, secure_broker, wait_for
from tests.helpers.units import sample_of

pytestmark = pytest.mark.integration

MEAT, FISH = "v3-meat", "v3-fish"


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    """A running broker with two units that have their own secrets."""
    with secure_broker(tmp_path_factory.mktemp("secure")) as made:
        made.secrets = {unit: made.secret_of(unit) for unit in (MEAT, FISH)}
        assert provisioning.tell_broker(made.folder)
        made.context = client_context(made.folder.ca)
        assert wait_for(lambda: _let_in(made, MEAT))
        yield made


@pytest.fixture(scope="module")
def mutual(tmp_path_factory):
    """A running broker that asks for certificates."""
    folder = tmp_path_factory.mktemp("mutual")
    with secure_broker(folder, mutual=True) as made:
        made.credentials = folder / "given"
        for unit in (MEAT, FISH):
            made.desk.add_certificate(unit, made.credentials)
        yield made


def _let_in(house, unit, **more):
    made = knock(house.port, user=unit, password=house.secrets[unit], context=house.context, **more)
    made.leave()
    return made.let_in


def _let_in_at_last(house, **more):
    """Knock until the broker has read its files anew."""
    for _ in range(100):
        made = knock(house.port, **more)
        if made.let_in:
            return made
        made.leave()
        time.sleep(0.1)
    raise AssertionError("not let in")


def _unit(house, unit, **more):
    made = knock(house.port, user=unit, password=house.secrets[unit], context=house.context, **more)
    assert made.let_in
    return made


def _with_certificate(made, unit):
    return client_context(made.folder.ca, made.credentials / f"{unit}.crt", made.credentials / f"{unit}.key")


def test_01_a_units_secret_opens_for_that_unit_only(house):
    assert house.secrets[MEAT] != house.secrets[FISH]
    for user, secret in (
        (MEAT, house.secrets[FISH]),
        (MEAT, ""),
        (None, None),
        ("v9-none", house.secrets[MEAT]),
    ):
        refused = knock(house.port, user=user, password=secret, context=house.context)
        refused.leave()
        assert refused.reason is not None
        assert refused.reason.value == 0x87, user
    assert _let_in(house, MEAT)


def test_02_a_secret_has_160_random_bits_and_is_shown_once_and_kept_nowhere(house, tmp_path):
    command = [sys.executable, "-m", "deploy.cli", "unit"]
    place = ["--who", "Ada Ndlovu", "--broker-folder", str(house.folder.path), "--data", str(tmp_path)]
    done = subprocess.run([*command, "add", "cart-milk", *place], capture_output=True, text=True, check=True)
    unit, secret = done.stdout.strip().split(":")
    assert unit == "cart-milk"
    assert len(base64.urlsafe_b64decode(secret + "=")) == 20
    assert wait_for(lambda: knock(house.port, user=unit, password=secret, context=house.context).let_in)
    for folder in (house.folder.path, tmp_path):
        for file in folder.rglob("*"):
            if file.is_file():
                assert secret.encode() not in file.read_bytes(), file
    again = subprocess.run(
        [*command, "add", "cart-milk", *place], capture_output=True, text=True, check=False
    )
    assert again.returncode == 2
    assert "--again" in again.stderr
    listed = subprocess.run([*command, "list", *place[2:]], capture_output=True, text=True, check=True)
    assert re.search(r"^cart-milk: \S+ by Ada Ndlovu$", listed.stdout, flags=re.MULTILINE)
    assert secret not in listed.stdout


def test_03_a_broker_that_lets_anybody_in_is_not_started(house, tmp_path):
    conf = house.folder.configuration
    text = conf.read_text()
    port = house.service_port
    for bad, words in (
        (text.replace("allow_anonymous false", "allow_anonymous true"), "anybody"),
        (text.replace("password_file", "#password_file"), "password_file is missing"),
        (text.replace(f"listener {port} 127.0.0.1", f"listener {port}"), "no TLS"),
    ):
        broken = BrokerFolder(tmp_path / secrets.token_hex(4))
        broken.path.mkdir()
        for name in ("passwords", "rules", "broker.key", "service.secret"):
            (broken.path / name).touch(0o600)
        broken.configuration.write_text(bad)
        with pytest.raises(ConfigurationError, match=words), any_broker(None, tmp_path, set_up=broken.path):
            pass
    assert broker_setup.faults(house.folder) == []


def test_03_ingest_refuses_a_network_broker_without_log_in_and_words_in_clear(house):
    conf = house.folder.path / "open.conf"
    port = free_port()
    text = house.folder.configuration.read_text().replace("allow_anonymous false", "allow_anonymous true")
    text = re.sub(r"(?m)^(password_file|acl_file|pid_file|persistence_location|use_username).*$", "", text)
    conf.write_text(text.replace(f"listener {house.port}", f"listener {port}").split("# The service")[0])
    access = Access(f"mqtts://127.0.0.1:{port}", user="service.ingest", ca=house.folder.ca)
    with subprocess.Popen([find_mosquitto(), "-c", str(conf)], stderr=subprocess.DEVNULL) as open_broker:
        try:
            assert wait_for(lambda: knock(port, client_id="any", context=house.context).let_in)
            with pytest.raises(ConfigurationError, match="lets in anybody"):
                run_ingest(
                    access,
                    None,
                    known_units=frozenset,
                    outbox=lambda _after: (),
                    stop=threading.Event(),
                    heartbeat=lambda _said: None,
                )
        finally:
            open_broker.terminate()
            conf.unlink()
    with pytest.raises(ConfigurationError, match="another machine"):
        refuse_open_door(Access("mqtt://camp.example:1883"))
    refuse_open_door(Access(house.url, ca=house.folder.ca))


def test_03_run_starts_the_broker_that_was_set_up_and_ends_it(tmp_path):
    with secure_broker(tmp_path) as made:
        made.stop()
        with any_broker(None, tmp_path, set_up=made.folder.path) as (url, which):
            assert (url, "set up" in which) == (f"mqtt://127.0.0.1:{made.service_port}", True)
            nobody = knock(made.service_port, client_id="nobody")
            nobody.leave()
            assert not nobody.let_in
            service = knock(made.service_port, user="service.ingest", password=made.service().password)
            service.leave()
            assert service.let_in
        assert isinstance(knock(made.service_port, client_id="late").error, ConnectionRefusedError)


def test_03_pages_for_other_machines_need_a_broker_of_ones_own(tmp_path):
    settings = Settings(data=tmp_path, host="0.0.0.0", port=free_port())  # noqa: S104 - refused
    with pytest.raises(ConfigurationError, match="setup broker"):
        lodge_box.run(settings, stop=threading.Event(), console=Console())


def test_04_a_unit_cannot_speak_or_leave_a_will_as_another(house):
    service = knock(
        house.service_port, client_id="look", user="service.ingest", password=house.service().password
    )
    service.subscribe("cold/v1/+/+/up/#")
    foreign = [topics.topic(FISH, leaf) for leaf in ("up/data", "up/event", "status", "down/cmd")]
    for topic in (*foreign, topics.topic(MEAT, "down/ack"), "$SYS/broker/log/N"):
        meat = _unit(house, MEAT)
        assert meat.publish(topic) == 0x87, topic
        meat.leave()
    for unit in (FISH, MEAT):  # its own last, so that the other's had time to come
        dying = _unit(house, MEAT, will=topics.topic(unit, "up/event"))
        dying.client.disconnect(reasoncode=ReasonCode(PacketTypes.DISCONNECT, identifier=0x04))
        dying.client.loop_stop()
    assert wait_for(lambda: service.got)
    service.leave()
    assert service.got == [(topics.topic(MEAT, "up/event"), b"gone")]


def test_05_a_unit_that_listens_to_everything_hears_its_own_only(house):
    meat = _unit(house, MEAT)
    meat.subscribe("#")
    meat.subscribe("$SYS/#")
    service = knock(
        house.service_port, client_id="say", user="service.ingest", password=house.service().password
    )
    for unit in (FISH, MEAT):
        service.publish(topics.topic(unit, "down/cmd"), unit.encode())
    fish = _unit(house, FISH)
    fish.publish(topics.topic(FISH, "up/data"))
    assert wait_for(lambda: meat.got)
    time.sleep(0.3)
    for each in (fish, service, meat):
        each.leave()
    assert meat.got == [(topics.topic(MEAT, "down/cmd"), MEAT.encode())]


def test_06_a_unit_cannot_take_over_anothers_session(house):
    fish = _unit(house, FISH)
    meat = _unit(house, MEAT, client_id=FISH)
    meat.subscribe(topics.topic(FISH, "down/cmd"))
    assert fish.publish(topics.topic(FISH, "up/data")) in {0, 0x10}
    assert fish.lost == []
    fish.leave()
    meat.leave()


def test_07_a_revoked_unit_is_thrown_out_and_stays_out(house, tmp_path):
    secret = house.secret_of("cart-ice")
    provisioning.tell_broker(house.folder)
    assert wait_for(lambda: knock(house.port, user="cart-ice", password=secret, context=house.context).let_in)
    live = knock(house.port, user="cart-ice", password=secret, context=house.context)
    other = _unit(house, MEAT)
    assert live.publish(topics.topic("cart-ice", "up/data")) in {0, 0x10}
    time.sleep(0.5)
    assert live.lost == []
    place = ["--who", "Ben Otieno", "--broker-folder", str(house.folder.path), "--data", str(tmp_path)]
    command = [sys.executable, "-m", "deploy.cli", "unit", "revoke", "cart-ice", *place]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout == "cart-ice is shut out\n"
    assert wait_for(lambda: live.lost)
    live.leave()
    again = knock(house.port, user="cart-ice", password=secret, context=house.context)
    again.leave()
    assert again.reason is not None
    assert again.reason.value == 0x87
    assert other.lost == []
    assert other.publish(topics.topic(MEAT, "up/data")) in {0, 0x10}
    other.leave()
    records = Records(tmp_path / "records.db")
    assert [(e.kind, e.about, e.who) for e in records.operator_events()] == [
        ("credential_revoked", "cart-ice", "Ben Otieno")
    ]
    records.close()
    twice = subprocess.run(command, capture_output=True, text=True, check=False)
    assert twice.returncode == 2


def test_07_what_waited_for_a_revoked_unit_goes_with_it(house, tmp_path):
    secret, asks = house.secret_of("cart-fish"), topics.topic("cart-fish", "down/cmd")
    provisioning.tell_broker(house.folder)
    came = {"user": "cart-fish", "password": secret, "context": house.context, "expiry_s": 3_600}
    away = _let_in_at_last(house, **came)
    away.subscribe(asks)
    away.leave()
    back = knock(house.port, **came, clean_start=False)
    back.leave()
    assert back.resumed, "the broker keeps what a unit out of coverage asked for"
    service = house.service()
    sender = knock(house.service_port, client_id="sender", user=service.user, password=service.password)
    assert sender.publish(asks, b"for who holds the old secret") == 0
    sender.leave()
    place = ["--who", "Ben Otieno", "--broker-folder", str(house.folder.path), "--data", str(tmp_path)]
    command = [sys.executable, "-m", "deploy.cli", "unit", "revoke", "cart-fish", *place]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout == "cart-fish is shut out\n"
    came["password"] = house.secret_of("cart-fish")
    provisioning.tell_broker(house.folder)
    anew = _let_in_at_last(house, **came, clean_start=False)
    anew.leave()
    assert not anew.resumed


@pytest.mark.parametrize("version", ["TLSv1", "TLSv1_1", "TLSv1_2", "TLSv1_3"])
def test_08_only_tls_1_2_and_1_3_are_spoken(house, version):
    context = client_context(house.folder.ca)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # the old versions are the point
        context.minimum_version = ssl.TLSVersion.MINIMUM_SUPPORTED
        context.maximum_version = ssl.TLSVersion[version]
        context.minimum_version = ssl.TLSVersion[version]
    context.set_ciphers("ALL:@SECLEVEL=0")
    made = knock(house.port, user=MEAT, password=house.secrets[MEAT], context=context)
    made.leave()
    if version in {"TLSv1_2", "TLSv1_3"}:
        assert made.let_in
    else:  # the alert comes from the broker: we would have spoken it
        assert "ALERT_PROTOCOL_VERSION" in str(getattr(made.error, "reason", ""))


def test_09_with_mutual_tls_only_certificates_of_the_house_come_in_under_their_own_name(mutual):
    plain = knock(mutual.port, client_id="x", context=client_context(mutual.folder.ca))
    plain.leave()
    assert not plain.let_in
    meat = knock(mutual.port, client_id=FISH, context=_with_certificate(mutual, MEAT))
    assert meat.let_in
    assert meat.publish(topics.topic(MEAT, "up/data")) in {0, 0x10}
    assert meat.publish(topics.topic(FISH, "up/data")) == 0x87
    meat.leave()
    stranger = broker_setup.certificates.root("Somebody", now_ms=now_ms())
    forged = broker_setup.certificates.of_unit(stranger, MEAT, now_ms=now_ms())
    (mutual.credentials / "forged.crt").write_bytes(forged.certificate)
    (mutual.credentials / "forged.key").write_bytes(forged.key)
    refused = knock(mutual.port, client_id="x", context=_with_certificate(mutual, "forged"))
    refused.leave()
    assert not refused.let_in


def test_09_a_revoked_certificate_is_thrown_out_and_stays_out(mutual):
    mutual.desk.add_certificate("cart-ice", mutual.credentials)
    live = knock(mutual.port, client_id="x", context=_with_certificate(mutual, "cart-ice"))
    other = knock(mutual.port, client_id="x", context=_with_certificate(mutual, FISH))
    assert live.let_in
    time.sleep(0.5)
    assert live.lost == []
    mutual.desk.revoke("cart-ice")
    assert provisioning.tell_broker(mutual.folder)
    assert provisioning.end_session(mutual.folder, "cart-ice")
    assert wait_for(lambda: live.lost)
    live.leave()
    again = knock(mutual.port, client_id="x", context=_with_certificate(mutual, "cart-ice"))
    again.leave()
    assert not again.let_in
    assert other.let_in
    assert other.lost == []
    other.leave()


def test_10_units_and_service_believe_only_the_right_root_and_name(house, tmp_path):
    stranger = tmp_path / "stranger.crt"
    stranger.write_bytes(broker_setup.certificates.root("Somebody", now_ms=now_ms()).certificate)
    credentials = tmp_path / "credentials"
    credentials.write_text("".join(f"{unit}:{secret}\n" for unit, secret in house.secrets.items()))
    rig = Rig(MEAT, tmp_path, begins_ms=now_ms() - 3_600_000)
    rig.measure(3)
    for wrong in (
        house.unit_address(credentials, ca=stranger),
        house.unit_address(credentials, host="localhost"),  # not a name the certificate is for
    ):
        with rig.on_air(wrong) as radio:
            assert not until(lambda: radio.sent > 0, within_s=1.5)
    with rig.on_air(house.unit_address(credentials)) as radio:
        assert until(lambda: radio.sent > 0)
    with pytest.raises(ssl.SSLCertVerificationError):
        _connect_as_service(house, ca=stranger)
    with pytest.raises(ssl.SSLCertVerificationError, match=r"(?i)mismatch"):
        _connect_as_service(house, host="localhost")
    _connect_as_service(house)
    rig.switch_off()


def _connect_as_service(house, *, ca=None, host="127.0.0.1"):
    context = Access(f"mqtts://{host}:{house.port}", ca=ca or house.folder.ca).context()
    made = knock(
        house.port, host=host, user="service.ingest", password=house.service().password, context=context
    )
    made.leave()
    if made.error is not None:
        raise made.error
    assert made.let_in


def test_11_only_the_documented_ports_are_open_and_the_plain_one_on_loopback(house):
    listening = {
        (each.laddr.ip, each.laddr.port)
        for each in psutil.Process(house.process.pid).net_connections(kind="inet")
        if each.status == psutil.CONN_LISTEN
    }
    assert {port for _, port in listening} == {house.port, house.service_port}
    assert {ip for ip, port in listening if port == house.service_port} == {"127.0.0.1"}


def test_12_secret_files_are_for_their_owner_only_also_after_changes(house, mutual):
    for made in (house, mutual):
        made.desk.renew(())
        folder = made.folder
        private = [folder.passwords, folder.rules, folder.key, folder.ca_key, folder.service_secret]
        private += [folder.revoked] if folder.mutual else []
        assert {stat.S_IMODE(file.stat().st_mode) for file in private} == {0o600}
        if as_root() and broker_account() != "root":
            owners = {file.name: file.owner() for file in private}
            assert {owners.pop("ca.key"), owners.pop("service.secret")} == {"root"}
            assert set(owners.values()) == {broker_account()}
    assert {stat.S_IMODE(key.stat().st_mode) for key in mutual.credentials.glob("v3-*.key")} == {0o600}


def test_13_only_salted_hashes_are_kept_and_nothing_secret_is_logged(house):
    rows = house.folder.passwords.read_text().splitlines()
    assert len(rows) >= 3
    form = re.compile(r"[a-z0-9.-]+:\$7\$(\d+)\$([A-Za-z0-9+/]{16})\$([A-Za-z0-9+/]{86}==)")
    found = [form.fullmatch(row) for row in rows]
    assert all(found)
    assert len({row[2] for row in found}) == len(rows), "a salt of its own for each"
    assert all(int(row[1]) >= 101 for row in found)
    log = house.log()
    assert MEAT in log
    assert not any(secret in log for secret in house.secrets.values())
    assert house.secrets[MEAT] not in repr(house.service())


def test_14_what_is_too_large_does_not_pass_the_broker(house):
    meat = _unit(house, MEAT)
    assert meat.publish(topics.topic(MEAT, "up/bulk"), bytes(65_536)) in {0, 0x10}
    large = meat.client.publish(topics.topic(MEAT, "up/bulk"), bytes(140_000), 1)
    assert wait_for(lambda: meat.lost or large.mid in meat.answers)
    assert meat.lost or meat.answers[large.mid].is_failure
    meat.leave()


def test_15_random_and_mutated_payloads_never_stop_ingest(house, tmp_path):
    rng = random.Random(15)  # noqa: S311 - a seed, no secret
    good = encode_pack([sample_of(MEAT, sq) for sq in range(10)])
    bad = [rng.randbytes(rng.randrange(0, 400)) for _ in range(150)]
    for _ in range(250):
        mutated = bytearray(good)
        for _ in range(rng.randrange(1, 8)):
            mutated[rng.randrange(len(mutated))] = rng.randrange(256)
        bad.append(bytes(mutated[: rng.randrange(1, len(mutated) + 1)]))
    bad.append(b"\x78\x9c" + zlib.compress(bytes(50_000_000))[2:])
    with running_ingest(house.service(), tmp_path, known={MEAT}) as running:
        meat = _unit(house, MEAT)
        for payload in bad:
            meat.client.publish(topics.topic(MEAT, "up/data"), payload, 1)
        meat.publish(topics.topic(MEAT, "up/data"), encode_pack([sample_of(MEAT, 77, bid=9)]))
        assert running.wait_for(lambda: running.store.marks(MEAT).get(9) is not None)
        meat.leave()
        assert running.counters["received"] >= len(bad)
        assert running.counters["rejected"] >= 150
        assert len(running.store.quarantine()) > 0
        assert running.counters["faults"] == 0
        assert running.thread.is_alive()


def test_29_the_account_of_the_service_may_not_speak_as_a_unit_nor_change_the_broker(house):
    for topic in (
        *(topics.topic(MEAT, leaf) for leaf in ("up/data", "up/bulk", "up/event", "status")),
        *("$CONTROL/dynamic-security/v1", "$SYS/broker/log/N", "elsewhere"),
    ):
        service = knock(
            house.service_port, client_id="say", user="service.ingest", password=house.service().password
        )
        assert service.publish(topic) == 0x87, topic
        service.leave()
