import os
import stat

import pytest

from deploy import broker_setup, certificates
from deploy.broker_setup import BrokerFolder, faults, listeners
from services.errors import ConfigurationError
from tests.helpers.secure_broker import as_root, broker_account

NOW_MS = 1_790_000_000_000


@pytest.fixture
def folder(tmp_path):
    made = BrokerFolder(tmp_path / "broker")
    broker_setup.set_up(made, ["camp.example"], now_ms=NOW_MS, owner=broker_account())
    return made


def test_what_is_set_up_has_no_fault_and_names_its_ports(folder):
    assert faults(folder) == []
    assert listeners(folder.text()) == [("8883", ""), ("1883", "127.0.0.1")]
    assert folder.service_port() == 1883
    assert not folder.mutual


def test_a_broker_is_not_set_up_twice(folder):
    before = folder.ca.read_bytes()
    with pytest.raises(ConfigurationError, match="--renew"):
        broker_setup.set_up(folder, ["camp.example"], now_ms=NOW_MS)
    assert folder.ca.read_bytes() == before


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("allow_anonymous false", "allow_anonymous true", "anybody"),
        ("allow_anonymous false\n", "", "anybody"),
        ("allow_anonymous false", "allow_anonymous false\nallow_anonymous true", "anybody"),
        ("acl_file", "#", "acl_file"),
        ("password_file", "#", "password_file"),
        ("keyfile", "#", "8883 has no TLS"),
        ("listener 1883 127.0.0.1", "listener 1883", "1883 has no TLS"),
        ("listener 1883 127.0.0.1", "listener 1883 127.0.0.1\nport 1884", "1884 has no TLS"),
        ("listener 1883 127.0.0.1", "listener 1883 127.0.0.1\nallow_anonymous true", "anybody"),
    ],
)
def test_whatever_would_let_somebody_in_is_a_fault(folder, old, new, words):
    folder.configuration.write_text(folder.text().replace(old, new))
    assert any(words in fault for fault in faults(folder)), faults(folder)


@pytest.mark.parametrize("name", ["passwords", "rules", "broker.key", "service.secret"])
def test_a_secret_that_others_may_read_or_that_is_gone_is_a_fault(folder, name):
    (folder.path / name).chmod(0o640)
    assert faults(folder) == [f"others may read {name}: chmod 600"]
    (folder.path / name).unlink()
    assert faults(folder) == [f"{name} is missing"]


def test_a_new_certificate_is_for_the_same_names_from_the_same_root(folder):
    before = folder.certificate.read_bytes(), folder.key.read_bytes(), folder.ca.read_bytes()
    later_ms = NOW_MS + 300 * 86_400_000
    assert broker_setup.renew(folder, (), now_ms=later_ms) == ("camp.example",)
    assert certificates.days_left(folder.certificate, now_ms=later_ms) == certificates.BROKER_DAYS
    assert folder.certificate.read_bytes() != before[0]
    assert folder.key.read_bytes() != before[1]
    assert folder.ca.read_bytes() == before[2]
    assert stat.S_IMODE(folder.key.stat().st_mode) == 0o600
    assert broker_setup.renew(folder, ("new.example", "10.0.0.7"), now_ms=later_ms) == (
        "new.example",
        "10.0.0.7",
    )


def test_without_the_roots_key_nothing_is_renewed_and_the_place_is_said(folder):
    folder.ca_key.unlink()
    before = folder.certificate.read_bytes()
    with pytest.raises(ConfigurationError, match=r"ca\.key"):
        broker_setup.renew(folder, (), now_ms=NOW_MS)
    assert folder.certificate.read_bytes() == before


def test_a_folder_without_a_broker_says_how_to_make_one(tmp_path):
    with pytest.raises(ConfigurationError, match="setup broker"):
        BrokerFolder(tmp_path).text()


def test_paths_the_broker_cannot_read_are_refused(tmp_path):
    with pytest.raises(ConfigurationError, match="blanks"):
        broker_setup.set_up(BrokerFolder(tmp_path / "my broker"), ["camp.example"], now_ms=NOW_MS)


def test_what_is_written_again_stays_whose_it_was(folder):
    """The broker of a box without root may run under any account; its files must not become root's."""
    if as_root():
        os.chown(folder.passwords, 12_345, 12_346)
    before = folder.passwords.stat()
    broker_setup.write_private(folder.passwords, b"new", owner=None)
    after = folder.passwords.stat()
    assert (after.st_uid, after.st_gid) == (before.st_uid, before.st_gid)
    assert stat.S_IMODE(after.st_mode) == 0o600
    assert folder.passwords.read_bytes() == b"new"


def test_accounts_that_do_not_exist_are_refused_by_name(tmp_path):
    if not as_root():
        pytest.skip("only root can give files away")
    with pytest.raises(ConfigurationError, match="nobody-by-that-name"):
        broker_setup.set_up(
            BrokerFolder(tmp_path / "b"), ["camp.example"], now_ms=NOW_MS, owner="nobody-by-that-name"
        )
