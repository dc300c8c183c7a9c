"""Nothing is lost and nothing is doubled unseen, when the mail server is away and the process is killed."""

import os
import signal
import subprocess
import sys
import time
from collections import Counter
from contextlib import contextmanager

import pytest

from services.notify.delivering import AT_ONCE
from services.records.facade import Records
from services.timebase import DAY_MS
from tests.helpers.broker import free_port
from tests.helpers.mailserver import Mailbox, mail_server
from tests.helpers.messages import message
from tests.helpers.notify_process import QUICKER, quick_ms
from tests.helpers.postgres import programs, running_postgres

pytestmark = pytest.mark.integration
KEYS = [f"notice.{k}" for k in range(8)]
KILLED_AT = 3
"""While the mail of this number is being answered."""


@pytest.fixture(params=["sqlite", "postgres"])
def where(request, tmp_path):
    if request.param == "sqlite":
        yield str(tmp_path / "records.db")
        return
    if programs() is None:
        pytest.skip("no PostgreSQL server is installed")
    with running_postgres() as server:
        yield server.fresh()


@contextmanager
def process(where, port):
    child = subprocess.Popen([sys.executable, "-m", "tests.helpers.notify_process", where, str(port)])
    try:
        yield child
    finally:
        if child.poll() is None:
            child.kill()
        child.wait(30.0)


def wait_for(condition):
    end = time.monotonic() + 180.0
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.05)


def test_a_server_that_comes_back_and_a_process_that_is_killed_lose_nothing(where):
    records = Records(where)
    end_ms = quick_ms() + 30 * DAY_MS * QUICKER
    records.put_out([message(key, not_after_ms=end_ms) for key in KEYS], now_ms=quick_ms())
    port, mailbox = free_port(), Mailbox()

    def kill_once(_mail):
        if len(mailbox.got) == KILLED_AT:
            os.kill(child.pid, signal.SIGKILL)

    mailbox.before = kill_once
    with process(where, port) as child:
        wait_for(lambda: any(each.tries for each in records.outbox(since_ms=0)))
        (why,) = {each.why for each in records.outbox(since_ms=0) if each.why}
        assert why == f"127.0.0.1 refused the connection on port {port}."
        with mail_server(mailbox, port=port):
            child.wait(180.0)
            assert child.returncode == -signal.SIGKILL
            assert any(each.state == "waiting" for each in records.outbox(since_ms=0))
            with process(where, port):
                wait_for(lambda: all(each.state == "sent" for each in records.outbox(since_ms=0)))
    records.close()
    copies = Counter(mail["Message-ID"] for mail in mailbox.got)
    assert len(copies) == len(KEYS), "every message arrived"
    assert sum(copies.values()) - len(KEYS) in range(1, AT_ONCE + 1), (
        "what was on its way came again, under the same number"
    )
