from functools import partial

import pytest

from deploy import broker_setup, password_file, provisioning
from deploy.broker_setup import SERVICE_USER, BrokerFolder
from deploy.commands import unit as commands
from deploy.provisioning import Provisioning
from services.errors import ConfigurationError
from services.records.facade import Records
from tests.helpers.secure_broker import broker_account

NOW_MS = 1_790_000_000_000


@pytest.fixture(params=[False, True], ids=["secrets", "certificates"])
def desk(request, tmp_path):
    folder = BrokerFolder(tmp_path / "broker")
    broker_setup.set_up(folder, ["camp.example"], now_ms=NOW_MS, mutual=request.param, owner=broker_account())
    records = Records(tmp_path / "records.db")
    yield Provisioning(folder, records, who="Ada Ndlovu", now_ms=NOW_MS)
    records.close()


def give(desk, unit, to, **more):
    return desk.add_certificate(unit, to, **more) if desk.folder.mutual else desk.add(unit, **more)


def test_a_unit_is_let_in_once_and_on_record(desk, tmp_path):
    give(desk, "v3-meat", tmp_path / "a")
    ((unit, event),) = desk.holders()
    assert (unit, event.who, event.t_ms, event.kind) == ("v3-meat", "Ada Ndlovu", NOW_MS, "credential_issued")
    with pytest.raises(ConfigurationError, match="--again"):
        give(desk, "v3-meat", tmp_path / "b")
    give(desk, "v3-meat", tmp_path / "b", again=True)
    assert len(desk.records.operator_events()) == 2
    assert len(desk.holders()) == 1


def test_no_secret_is_on_record(desk, tmp_path):
    given = give(desk, "v3-meat", tmp_path / "a")
    secret = given if isinstance(given, str) else given[0].read_text()
    assert secret not in str(desk.records.operator_events())


@pytest.mark.parametrize("unit", ["", "v3", "V3-MEAT", "v3/meat", "v3+meat", "a:b-c", SERVICE_USER, "x" * 33])
def test_what_is_no_unit_is_let_in_nowhere(desk, tmp_path, unit):
    before = desk.folder.passwords.read_bytes()
    with pytest.raises(ConfigurationError, match="not a unit id"):
        give(desk, unit, tmp_path / "a")
    assert desk.folder.passwords.read_bytes() == before
    assert desk.records.operator_events() == []


def test_revoking_takes_one_unit_and_leaves_the_others_and_the_service(desk, tmp_path):
    for unit in ("v3-meat", "v3-fish"):
        give(desk, unit, tmp_path / "a")
    desk.revoke("v3-meat")
    assert [unit for unit, _ in desk.holders()] == ["v3-fish"]
    assert SERVICE_USER in password_file.names(desk.folder.passwords.read_text())
    for unit in ("v3-meat", "nobody-here", SERVICE_USER):
        with pytest.raises(ConfigurationError, match="no credential"):
            desk.revoke(unit)
    assert desk.records.operator_events()[0].kind == "credential_revoked"


def test_the_wrong_form_of_credential_is_refused(desk, tmp_path):
    wrong = partial(desk.add, "v3-meat")
    if not desk.folder.mutual:
        wrong = partial(desk.add_certificate, "v3-meat", tmp_path / "a")
    with pytest.raises(ConfigurationError, match="units come in by"):
        wrong()


def test_a_broker_that_does_not_run_is_not_told_and_no_other_process_is(desk):
    assert not provisioning.tell_broker(desk.folder)
    desk.folder.pid.write_text("1")  # a number left over, now somebody else's
    assert not provisioning.tell_broker(desk.folder)


def test_of_several_units_all_are_looked_at_before_any_is_touched(desk, tmp_path):
    give(desk, "v3-meat", tmp_path / "a")
    desk.require_revocable(["v3-meat"])
    with pytest.raises(ConfigurationError, match=r"v3-fish.*no credential"):
        desk.require_revocable(["v3-meat", "v3-fish"])
    desk.require_addable(["v3-fish", "v3-veg"], again=False)
    desk.require_addable(["v3-fish", "v3-meat"], again=True)
    for units in (["v3-fish", "v3-meat"], ["v3-fish", "V3"]):
        with pytest.raises(ConfigurationError, match=r"--again|not a unit id"):
            desk.require_addable(units, again=False)
    assert [unit for unit, _ in desk.holders()] == ["v3-meat"]


@pytest.mark.parametrize("desk", [False], indirect=True)
def test_a_typing_error_in_the_second_name_leaves_the_first_unit_as_it_was(desk, tmp_path):
    desk.add("v3-meat")
    before = desk.folder.passwords.read_bytes()
    given = ["--who", "Ada", "--broker-folder", str(desk.folder.path), "--data", str(tmp_path)]
    for words in (["revoke", "v3-meat", "v3-maet"], ["add", "v3-fish", "v3-meat"]):
        with pytest.raises(ConfigurationError):
            commands.app([*words, *given], standalone_mode=False)
        assert desk.folder.passwords.read_bytes() == before
