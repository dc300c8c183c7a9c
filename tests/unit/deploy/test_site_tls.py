import pytest

from deploy import certificates, site_tls
from deploy.site_tls import TlsFolder, set_up
from services.errors import ConfigurationError
from services.settings import load_settings
from services.timebase import DAY_MS

NOW_MS = 1_790_000_000_000
HOSTS = ("10.0.0.7", "camp.lan")


@pytest.fixture
def folder(tmp_path):
    found = TlsFolder(tmp_path / "tls")
    set_up(found, HOSTS, now_ms=NOW_MS)
    return found


def content(folder):
    return {file.name: file.read_bytes() for file in folder.path.iterdir()}


def test_keys_are_their_owners_alone_and_the_roots_is_nowhere(folder):
    assert folder.path.stat().st_mode & 0o777 == 0o700
    keys = [file for file in folder.path.iterdir() if b"PRIVATE KEY" in file.read_bytes()]
    assert {file.name for file in keys} == {"issuer.key", "pages.key"}
    assert all(file.stat().st_mode & 0o077 == 0 for file in keys)


def test_a_second_time_nothing_changes_until_renewal_is_near_or_asked_for(folder):
    before = content(folder)
    assert set_up(folder, (), now_ms=NOW_MS + DAY_MS).made == "nothing"
    assert content(folder) == before
    near_ms = NOW_MS + (certificates.PAGES_DAYS - certificates.REMIND_DAYS) * DAY_MS
    for moment_ms, renew in ((near_ms, False), (NOW_MS + DAY_MS, True)):
        done = set_up(folder, HOSTS, now_ms=moment_ms, renew=renew)
        assert (done.made, done.hosts) == ("certificate", HOSTS)
    after = content(folder)
    changed = {name for name in before if before[name] != after[name]}
    assert changed == {"pages.crt", "pages.key"}


def test_fewer_names_need_a_new_certificate_and_other_names_a_new_authority(folder):
    root = folder.root.read_bytes()
    assert set_up(folder, ("camp.lan",), now_ms=NOW_MS).made == "certificate"
    assert certificates.hosts_of(folder.certificate.read_bytes()) == ("camp.lan",)
    with pytest.raises(ConfigurationError, match=r"office\.lan: --new-authority"):
        set_up(folder, ("camp.lan", "office.lan"), now_ms=NOW_MS)
    assert set_up(folder, ("office.lan",), now_ms=NOW_MS, anew=True).made == "authority"
    assert folder.root.read_bytes() != root


def test_there_is_nothing_to_renew_before_the_first_time(tmp_path):
    with pytest.raises(ConfigurationError, match="no authority here yet"):
        set_up(TlsFolder(tmp_path / "tls"), HOSTS, now_ms=NOW_MS, renew=True)


def test_the_machine_is_asked_where_nobody_says_how_it_is_reached(tmp_path, monkeypatch):
    monkeypatch.setattr(site_tls.socket, "gethostname", lambda: "Ridge-Box")
    hosts = site_tls.own_hosts()
    assert hosts[-2:] == ("ridge-box", "ridge-box.local")
    assert not any(host.startswith("127.") for host in hosts)
    assert set_up(TlsFolder(tmp_path / "tls"), (), now_ms=NOW_MS).hosts == hosts


def test_phones_are_told_of_the_authority_and_of_addresses_first(folder, tmp_path):
    settings = load_settings(
        tmp_path,
        tls_authority=str(folder.root),
        tls_certificate=str(folder.certificate),
        tls_key=str(folder.key),
        trust_port=8421,
    )
    room = site_tls.trust_of(settings)
    assert room.doors == ("http://10.0.0.7:8421/trust", "http://camp.lan:8421/trust")
    assert room.pages[0] == "https://10.0.0.7:8420"
    assert room.fingerprint == certificates.fingerprint(folder.root.read_bytes())
    assert room.name == "Bushlarder at 10.0.0.7"
    assert site_tls.trust_of(load_settings(tmp_path)) is None
    folder.root.unlink()
    with pytest.raises(ConfigurationError, match="cannot be read"):
        site_tls.trust_of(settings)
