"""Commands that let lamps in at the broker, and shut them out."""

import getpass

import pytest
from typer.testing import CliRunner

from deploy import broker_setup
from deploy.broker_setup import BrokerFolder
from deploy.cli import app
from deploy.lamps import NOTIFY_USER
from services.records.facade import Records
from tests.helpers.messages import NOW_MS


@pytest.fixture
def folder(tmp_path):
    made = BrokerFolder(tmp_path / "broker")
    broker_setup.set_up(made, ["camp.example"], now_ms=NOW_MS, owner=getpass.getuser())
    return made


def lamp(folder, *words):
    data = folder.path.parent / "data"
    data.mkdir(exist_ok=True)
    where = ("--broker-folder", str(folder.path), "--data", str(data))
    return CliRunner().invoke(app, ["lamp", *words, *where])


def test_a_lamp_gets_a_secret_shown_once_and_a_rule_of_its_own(folder):
    before = folder.rules.read_text()
    added = lamp(folder, "add", "boma-lamp", "--who", "Ada Ndlovu")
    assert added.exit_code == 0, added.output
    user, _, secret = added.stdout.strip().partition(":")
    assert user == "lamp.boma-lamp"
    assert "cold/v1/lamp/boma-lamp/show" in added.stderr
    assert secret not in folder.passwords.read_text()
    rules = folder.rules.read_text()
    assert rules.startswith(before.rstrip()), "what stood there stays"
    assert rules.removeprefix(before.rstrip()).split("\n\n")[1:] == [
        "user lamp.boma-lamp\ntopic read cold/v1/lamp/boma-lamp/show",
        f"user {NOTIFY_USER}\ntopic write cold/v1/lamp/+/show\n",
    ]
    assert lamp(folder, "list").stdout == "boma-lamp\n"
    gone = lamp(folder, "revoke", "boma-lamp", "--who", "Ada Ndlovu", "--why", "stolen")
    assert gone.exit_code == 0
    assert "boma-lamp" not in folder.rules.read_text() + folder.passwords.read_text()
    assert broker_setup.faults(folder) == []
    records = Records(folder.path.parent / "data" / "records.db")
    told = [(event.kind, event.about, event.who) for event in records.operator_events()]
    records.close()
    assert told == [
        ("credential_revoked", "lamp.boma-lamp", "Ada Ndlovu"),
        ("credential_issued", "lamp.boma-lamp", "Ada Ndlovu"),
    ]


def test_where_units_show_certificates_lamps_are_not_let_in_by_secrets(tmp_path):
    made = BrokerFolder(tmp_path / "broker")
    broker_setup.set_up(made, ["camp.example"], now_ms=NOW_MS, owner=getpass.getuser(), mutual=True)
    refused = lamp(made, "add", "boma-lamp", "--who", "Ada Ndlovu")
    assert "asks for certificates" in str(refused.exception)
