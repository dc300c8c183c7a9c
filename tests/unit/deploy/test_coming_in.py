import pytest

from deploy import coming_in
from services.api.entry import AccountAccess, DemoAccess
from services.errors import ConfigurationError
from services.records.facade import Records
from services.settings import Settings

EVERYWHERE = "0.0.0.0"  # noqa: S104 - refused


@pytest.mark.parametrize(
    ("changes", "setting"),
    [
        ({"host": EVERYWHERE}, "host"),
        ({"host": "192.168.4.2"}, "host"),
        ({"host": EVERYWHERE, "access": "demo"}, "access"),
        ({"access": "demo", "behind_tls_proxy": True}, "access"),
        ({"tls_certificate": "page.crt"}, "tls_certificate"),
        ({"tls_key": "page.key"}, "tls_certificate"),
    ],
)
def test_pages_that_would_carry_passwords_in_the_open_are_not_served(tmp_path, changes, setting):
    with pytest.raises(ConfigurationError, match=setting):
        coming_in.require_private_pages(Settings(data=tmp_path, **changes))


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"host": "localhost"},
        {"host": "::1"},
        {"access": "demo"},
        {"host": EVERYWHERE, "behind_tls_proxy": True},
    ],
)
def test_pages_on_this_machine_or_behind_tls_are_served(tmp_path, changes):
    coming_in.require_private_pages(Settings(data=tmp_path, **changes))


def test_a_certificate_lets_others_in_as_long_as_its_files_are_there(tmp_path):
    files = {name: tmp_path / name for name in ("tls_certificate", "tls_key")}
    settings = Settings(data=tmp_path, host=EVERYWHERE, **files)
    files["tls_certificate"].touch()
    with pytest.raises(ConfigurationError, match="tls_key is not there"):
        coming_in.require_private_pages(settings)
    files["tls_key"].touch()
    coming_in.require_private_pages(settings)


def test_the_refusal_says_what_to_set(tmp_path):
    with pytest.raises(ConfigurationError, match="behind_tls_proxy = true, or let `bushlarder setup tls`"):
        coming_in.require_private_pages(Settings(data=tmp_path, host=EVERYWHERE))


@pytest.fixture
def records(tmp_path):
    opened = Records(tmp_path / "records.db")
    yield opened
    opened.close()


def test_the_first_code_is_told_until_there_is_an_administrator(tmp_path, records):
    settings = Settings(data=tmp_path, port=8421)
    words = coming_in.first_words(settings, records)
    assert "http://127.0.0.1:8421/welcome" in words
    code = next(line.strip() for line in words.splitlines() if line.startswith("    "))
    again = coming_in.first_words(settings, records)
    assert code not in again, "starting again gives a new one"
    newer = next(line.strip() for line in again.splitlines() if line.startswith("    "))
    assert records.code(code, now_ms=1) is None
    made = records.use_code(newer, name="Ada B.", hashed="$argon2id$x", now_ms=2)
    assert (made.name, made.role, made.sites) == ("Ada B.", "administrator", None)
    assert coming_in.first_words(settings, records) == ""


def test_a_demonstration_tells_no_code(tmp_path, records):
    settings = Settings(data=tmp_path, access="demo")
    assert coming_in.first_words(settings, records) == ""
    assert isinstance(coming_in.doors(settings, records)[0], DemoAccess)


def test_an_installation_asks_for_accounts(tmp_path, records):
    access, _ = coming_in.doors(Settings(data=tmp_path), records)
    assert type(access) is AccountAccess


def test_a_role_or_name_that_is_none_is_said_to_be_none(records):
    with pytest.raises(ConfigurationError, match="there is no role 'chef'"):
        coming_in.role_of("chef")
    with pytest.raises(ConfigurationError, match="nobody called 'Eve'"):
        coming_in.account_called(records, "Eve")
