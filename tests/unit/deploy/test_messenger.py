"""What tells people is put together from the settings."""

import pytest

from deploy import messenger
from services.errors import ConfigurationError
from services.notify.failures import NotTakenError
from services.settings import Settings
from tests.helpers.messages import message


def settings(tmp_path, **changes):
    return Settings(data=tmp_path, **changes)


def test_an_address_and_a_password_are_enough_at_a_large_provider(tmp_path):
    (tmp_path / "word").write_text("very-private\n")
    found = messenger.mail_server(
        settings(tmp_path, mail_from="Kudu <kudu@gmail.com>", mail_password_file=tmp_path / "word")
    )
    assert (found.host, found.port, found.tls) == ("smtp.gmail.com", 587, "starttls")
    assert (found.user, found.password) == ("kudu@gmail.com", "very-private")


@pytest.mark.parametrize(("tls", "port"), [("starttls", 587), ("tls", 465), ("none", 25), (None, 587)])
def test_a_port_follows_from_how_the_way_is_encrypted(tmp_path, tls, port):
    found = messenger.mail_server(
        settings(tmp_path, mail_from="box@camp.example", mail_host="mail.example", mail_tls=tls)
    )
    assert (found.port, found.user, found.password) == (port, None, None)


def test_what_is_missing_or_unsafe_in_the_settings_is_named(tmp_path):
    (tmp_path / "word").write_text("very-private")
    wrong = [
        ({"mail_from": "box@camp.example"}, "mail_host"),
        ({"mail_from": "nonsense", "mail_host": "mail.example"}, "mail_from"),
        (
            {
                "mail_from": "box@camp.example",
                "mail_host": "mail.example",
                "mail_tls": "none",
                "mail_password_file": tmp_path / "word",
            },
            "mail_tls",
        ),
    ]
    for given, name in wrong:
        with pytest.raises(ConfigurationError) as refused:
            messenger.mail_server(settings(tmp_path, **given))
        assert refused.value.setting == name
        with pytest.raises(NotTakenError, match=name):
            messenger.senders(settings(tmp_path, **given))["mail"](message())
    assert messenger.mail_server(settings(tmp_path)) is None


def test_the_secret_of_signed_calls_is_drawn_once_and_is_ours_alone(tmp_path):
    first = messenger.webhook_secret(settings(tmp_path))
    assert messenger.webhook_secret(settings(tmp_path)) == first
    assert len(first) == 64
    assert (tmp_path / "webhook.secret").stat().st_mode & 0o777 == 0o600
    assert [file.name for file in tmp_path.iterdir()] == ["webhook.secret"]
    (tmp_path / "short").write_text("x")
    with pytest.raises(ConfigurationError, match="fewer than 32"):
        messenger.webhook_secret(settings(tmp_path, webhook_secret_file=tmp_path / "short"))
