import ssl

import pytest

from services.errors import ConfigurationError
from services.ingest.access import Access


@pytest.mark.parametrize(
    ("url", "place"),
    [
        ("mqtt://127.0.0.1", ("127.0.0.1", 1883)),
        ("mqtts://camp.example", ("camp.example", 8883)),
        ("mqtts://me@camp.example:9", ("camp.example", 9)),
        ("mqtt://[::1]:77", ("::1", 77)),
    ],
)
def test_a_url_says_where(url, place):
    assert Access(url).place() == place


@pytest.mark.parametrize("url", ["", "camp:1883", "http://camp", "mqtt://", "mqtt://camp:many"])
def test_what_is_no_broker_is_refused(url):
    with pytest.raises(ConfigurationError, match="broker_url"):
        Access(url).place()


def test_words_in_clear_stay_on_this_machine():
    for url in ("mqtt://127.0.0.1:1", "mqtt://localhost", "mqtt://[::1]", "mqtts://camp.example"):
        Access(url).require_private()
    for url in ("mqtt://camp.example", "mqtt://10.0.0.5:1883", "mqtt://127.0.0.1.example"):
        with pytest.raises(ConfigurationError, match="mqtts"):
            Access(url).require_private()


def test_encryption_verifies_names_and_knows_no_old_versions():
    context = Access("mqtts://camp.example").context()
    assert context.check_hostname
    assert context.verify_mode is ssl.CERT_REQUIRED
    assert context.minimum_version is ssl.TLSVersion.TLSv1_2
    assert Access("mqtt://127.0.0.1").context() is None


def test_a_root_that_is_none_is_the_operators_business(tmp_path):
    (tmp_path / "ca.crt").write_text("none")
    for ca in (tmp_path / "ca.crt", tmp_path / "missing.crt"):
        with pytest.raises(ConfigurationError, match="broker_ca"):
            Access("mqtts://camp.example", ca=ca).context()


def test_the_password_does_not_show():
    assert "word" not in repr(Access("mqtts://camp.example", user="a", password="word"))  # noqa: S106
