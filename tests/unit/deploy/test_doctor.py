import pytest

from deploy import doctor
from deploy.backup import take
from deploy.certificates import PAGES_DAYS, REMIND_DAYS
from deploy.site_tls import folder_of, set_up
from services.clock import now_ms
from services.errors import DependencyUnavailable
from services.pulse import Pulse
from services.settings import load_settings
from services.store.schema import connect
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS


@pytest.fixture
def data(tmp_path):
    connect(tmp_path / "telemetry.db", writer=True).close()
    return tmp_path


def row(data, what, **settings):
    found = [each for each in doctor.look(load_settings(data, **settings)) if each.what == what]
    assert len(found) == 1
    return found[0]


def beat(data, part, at_ms, **said):
    pulse = Pulse(data, part)
    pulse.beat(at_ms, said)
    return pulse


def test_a_process_whose_last_sign_is_from_the_future_hangs(data):
    held = [beat(data, "ingest", now_ms()), beat(data, "monitor", now_ms() + HOUR_MS)]
    assert row(data, "ingest").state == "ok"
    assert row(data, "monitor").state == "trouble"
    for each in held:
        each.close()


def test_a_broker_over_the_network_is_told_as_ingest_sees_it(data, monkeypatch):
    def never(*_):
        raise AssertionError("a second visitor may end ingest's session")

    monkeypatch.setattr(doctor, "echo_s", never)
    url = "mqtts://broker.example:8883"
    assert row(data, "broker", broker_url=url).state == "not known"
    for connected, state in ((True, "ok"), (False, "trouble")):
        pulse = beat(data, "ingest", now_ms(), connected=connected)
        assert row(data, "broker", broker_url=url).state == state
        pulse.beat(now_ms() - MINUTE_MS, {"connected": connected})
        assert row(data, "broker", broker_url=url).state == "not known"
        pulse.close()


def test_a_broker_that_does_not_answer_is_trouble(data, monkeypatch):
    def silent(*_):
        raise DependencyUnavailable("nothing answers")

    monkeypatch.setattr(doctor, "echo_s", silent)
    assert row(data, "broker", broker_url="mqtt://127.0.0.1:1").state == "trouble"


def test_an_age_that_is_not_known_is_not_told_as_well(data):
    settings = load_settings(data)
    assert row(data, "backup").state == "look"
    take(settings, data / "backups", now_ms=now_ms() + 30 * DAY_MS, keep=7)
    found = row(data, "backup")
    assert found.state == "look"
    assert "still to come" in found.found


def test_a_backup_without_everything_does_not_say_that_all_is_well(data):
    take(load_settings(data), data / "backups", now_ms=now_ms(), keep=7)
    assert row(data, "backup").state == "not known"  # there are no records here: they are elsewhere
    connect(data / "ledger.db", writer=True).close()
    take(load_settings(data), data / "backups", now_ms=now_ms() + 2000, keep=7)
    found = row(data, "backup")
    assert found.state == "not known"
    assert "InfluxDB" in found.found


def test_a_backup_that_cannot_be_read_is_a_row_and_not_the_end_of_the_rounds(data, monkeypatch):
    def locked(_):
        raise PermissionError("not yours")

    monkeypatch.setattr(doctor, "backups", locked)
    assert row(data, "backup").state == "trouble"
    assert row(data, "versions").state == "ok"


@pytest.mark.parametrize(
    ("since_days", "state"),
    [(0, "ok"), (PAGES_DAYS - REMIND_DAYS, "look"), (PAGES_DAYS + 1, "trouble")],
)
def test_the_pages_certificate_is_spoken_of_before_it_runs_out(data, since_days, state):
    folder = folder_of(data)
    set_up(folder, ["camp.lan"], now_ms=now_ms() - since_days * DAY_MS)
    names = {"tls_certificate": folder.certificate, "tls_key": folder.key, "tls_authority": folder.root}
    found = row(data, "pages' certificate", **{name: str(file) for name, file in names.items()})
    assert found.state == state
    assert "--renew" in found.advice
    given = row(data, "pages' certificate", tls_certificate=str(folder.root), tls_key=str(folder.key))
    assert "Get a new one" in given.advice
    assert row(data, "pages' authority", **{name: str(file) for name, file in names.items()}).state == "ok"
