import re

import pytest
from typer.testing import CliRunner

from deploy import certificates
from deploy.cli import app
from deploy.coming_in import address_of, require_private_pages
from services.clock import now_ms
from services.errors import ConfigurationError
from services.settings import load_settings
from tests.helpers.given_files import given_files


def run(data, *words):
    done = CliRunner().invoke(app, ["setup", "tls", "--data", str(data), *words])
    if isinstance(done.exception, ConfigurationError):
        raise done.exception
    assert done.exit_code == 0, done.output
    return done.output


def test_settings_lead_to_encrypted_pages_that_phones_can_reach(tmp_path):
    said = run(tmp_path, "--name", "camp.lan", "--address", "10.0.0.7")
    settings = load_settings(tmp_path)
    require_private_pages(settings)
    assert (settings.host, settings.trust_port) == ("0.0.0.0", 8421)  # noqa: S104 - what was written
    assert address_of(settings) == "https://10.0.0.7:8420"
    root = (tmp_path / "tls" / "authority.crt").read_bytes()
    assert settings.tls_authority.read_bytes() == root
    assert certificates.fingerprint(root) in said
    assert "http://10.0.0.7:8421/trust" in said
    assert len(re.findall(r"^[█▀▄ ]{29,}$", said, flags=re.MULTILINE)) >= 14
    assert "setup broker" in said


def test_what_somebody_chose_stays_and_a_sheet_can_be_written_later(tmp_path):
    run(tmp_path, "--name", "camp.lan", "--listen", "10.0.0.7", "--trust-port", "9001")
    said = run(tmp_path, "--sheet", str(tmp_path / "code.svg"))
    assert "as they were" in said
    settings = load_settings(tmp_path)
    assert (settings.host, settings.trust_port) == ("10.0.0.7", 9001)
    assert (tmp_path / "code.svg").read_text(encoding="utf-8").count("<path") >= 1
    with pytest.raises(ConfigurationError, match=r"ends in \.pdf"):
        run(tmp_path, "--sheet", str(tmp_path / "sheet.docx"))


def test_the_environment_that_overrules_the_file_is_named(tmp_path, monkeypatch):
    monkeypatch.setenv("BUSHLARDER_TRUST_PORT", "9000")
    assert "BUSHLARDER_TRUST_PORT" in run(tmp_path, "--name", "camp.lan")


def test_a_given_certificate_is_served_once_a_client_took_it(tmp_path):
    site = certificates.site_authority(["camp.example"], now_ms=now_ms())
    pair = certificates.of_pages(site.issuer, ["camp.example"], now_ms=now_ms())
    certificate, key, root = map(str, given_files(tmp_path, pair, site.root))
    data = tmp_path / "data"
    given = ("--certificate", certificate, "--key", key)
    with pytest.raises(ConfigurationError, match="not for the name"):
        run(data, *given, "--authority", root, "--name", "office.example")
    assert not (data / "bushlarder.toml").exists()
    said = run(data, *given, "--authority", root, "--name", "camp.example")
    settings = load_settings(data)
    assert (str(settings.tls_certificate), str(settings.tls_key)) == (certificate, key)
    assert "replaced" in said
    assert not (data / "tls").exists()
    with pytest.raises(ConfigurationError, match="renews it"):
        run(data, *given, "--renew")
    with pytest.raises(ConfigurationError, match="goes with --key"):
        run(data, "--certificate", certificate)


def test_a_box_behind_a_proxy_keeps_it(tmp_path):
    (tmp_path / "bushlarder.toml").write_text("behind_tls_proxy = true\n", encoding="utf-8")
    with pytest.raises(ConfigurationError, match="proxy speaks TLS"):
        run(tmp_path, "--name", "camp.lan")


def test_a_port_for_phones_needs_something_to_tell_them(tmp_path):
    with pytest.raises(ConfigurationError, match="tls_authority"):
        require_private_pages(load_settings(tmp_path, trust_port=8421))
