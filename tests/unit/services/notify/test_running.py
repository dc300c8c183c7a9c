"""The loop of the process that tells people goes on whatever fails."""

import threading

import pytest

from services.errors import DependencyUnavailable
from services.notify import running
from services.notify.delivering import Delivering
from services.notify.running import run_notify
from services.records.facade import Records
from tests.helpers.messages import NOW_MS, message


@pytest.fixture
def records(tmp_path):
    opened = Records(tmp_path / "records.db")
    yield opened
    opened.close()


def loop(records, tell, *, until):
    """Run with the real outbox until a sign of life says what is waited for; return every sign."""
    stop, signs = threading.Event(), []

    def heartbeat(_now_ms, said):
        signs.append(said)
        if until(said) or len(signs) > 500:
            stop.set()

    delivering = Delivering(records, {"mail": lambda _each: "Taken."}, lambda: NOW_MS)
    run_notify(
        tell, delivering, waiting=records.out_waiting, stop=stop, clock=lambda: NOW_MS, heartbeat=heartbeat
    )
    return signs


@pytest.fixture(autouse=True)
def _quick(monkeypatch):
    monkeypatch.setattr(running, "POLL_S", 0.01)


def test_what_is_told_is_sent_and_the_sign_of_life_counts_it(records):
    def tell(now_ms):
        return records.put_out([message("a"), message("b")], now_ms=now_ms)

    signs = loop(records, tell, until=lambda said: said["sent"] == 2 and said["waiting"] == 0)
    assert signs[-1] == {"told": 2, "sent": 2, "failed": 0, "given_up": 0, "waiting": 0, "trouble": None}


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (
            DependencyUnavailable("the records do not answer"),
            "Nobody is told of notices: the records do not answer.",
        ),
        (ValueError("odd"), "Nobody is told of notices: a fault in the service itself; its log says which."),
    ],
)
def test_telling_that_fails_is_told_tried_again_and_holds_up_no_delivery(records, error, words):
    records.put_out([message("a")], now_ms=NOW_MS)
    looks = []

    def tell(_now_ms):
        looks.append(1)
        if len(looks) < 3:
            raise error
        return 0

    signs = loop(
        records, tell, until=lambda said: said["sent"] == 1 and said["trouble"] is None and len(looks) > 2
    )
    assert signs[0]["trouble"] == words
    assert (signs[-1]["trouble"], signs[-1]["sent"]) == (None, 1)
    assert len(signs) > len(looks), "it waits a little longer after each failure"
