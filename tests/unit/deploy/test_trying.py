"""A test of every way says what happened to each, in words."""

import pytest
from typer.testing import CliRunner

from deploy.cli import app
from deploy.trying import kind_of
from services.domain import Person, WaySaid
from services.records.facade import Records
from tests.helpers.mailserver import Mailbox, mail_server
from tests.helpers.messages import NOW_MS


@pytest.mark.parametrize(
    ("target", "kind"),
    [
        ("asha@camp.example", "mail"),
        ("https://x.example/hook", "web"),
        ("ntfy://topic@host", "other"),
        ("boma-lamp", "lamp"),
    ],
)
def test_an_address_is_what_it_looks_like(target, kind):
    assert kind_of(target) == kind


def run(tmp_path, *words):
    done = CliRunner().invoke(app, ["notify", "test", "--data", str(tmp_path), *words])
    return done.exit_code, done.stdout, done.stderr


def test_every_way_of_everybody_is_tried_and_one_that_fails_fails_the_whole(tmp_path):
    records = Records(tmp_path / "records.db")
    for name in ("Asha", "Jonas", "Off"):
        records.add_person(Person(name=name, role="cook"), now_ms=NOW_MS)
        said = WaySaid(who=name, person=name, kind="mail", target=f"{name.lower()}@camp.example")
        way = records.say_way(said, now_ms=NOW_MS)
    records.set_way_off(way, off=True, who="Off", now_ms=NOW_MS)
    records.close()
    mailbox = Mailbox()
    mailbox.unknown, said = {"jonas@camp.example"}, "It said: 550 5.1.1 …: no such mailbox"
    with mail_server(mailbox) as port:
        (tmp_path / "bushlarder.toml").write_text(
            'mail_from = "box@camp.example"\nmail_host = "127.0.0.1"\nmail_tls = "none"\n'
            f"mail_port = {port}\n"
        )
        code, told, wrong = run(tmp_path)
        assert code == 1
        assert told.splitlines()[:4] == [
            "taken      Asha, mail a…@camp.example",
            "           Taken by the mail server 127.0.0.1.",
            "NOT TAKEN  Jonas, mail j…@camp.example",
            f"{'':11}127.0.0.1 refused the address the message goes to. {said}",
        ]
        assert "Taken is not yet read" in told
        assert wrong.strip() == "1 of 2 were not taken."
        code, told, _ = run(tmp_path, "--to", "asha@camp.example")
        assert code == 0
        assert "NOT TAKEN" not in told
    assert mailbox.to == [["asha@camp.example"]] * 2
    assert mailbox.got[0]["Subject"] == "Test: notices reach you here"
