"""A notice that is raised reaches a mailbox, by the process as a box runs it."""

import re
import signal
import subprocess
import sys
import time

import pytest

from services.clock import now_ms
from services.domain import NoticeChange, WaySaid
from services.pulse import signs
from services.records.facade import Records
from services.timebase import HOUR_MS
from tests.helpers.larder import fleet
from tests.helpers.mailserver import Mailbox, mail_server
from tests.helpers.notices import silence

pytestmark = pytest.mark.integration


def wait_for(condition, child):
    end = time.monotonic() + 180.0
    while not condition():
        assert child.poll() is None, "the process ended"
        assert time.monotonic() < end
        time.sleep(0.1)


def test_a_notice_that_is_raised_reaches_a_mailbox_with_a_link_of_its_own(tmp_path):
    mailbox = Mailbox()
    records = Records(tmp_path / "records.db")
    records.apply_fleet(fleet(), who="operator", now_ms=now_ms() - HOUR_MS)
    told = silence(who="cook")
    cook = next(person.name for person in fleet().people if person.role == "cook")
    said = WaySaid(who=cook, person=cook, kind="mail", target="cook@camp.example", least="low", digests=False)
    way = records.say_way(said, now_ms=now_ms())
    with mail_server(mailbox) as port:
        (tmp_path / "bushlarder.toml").write_text(
            'public_url = "https://box.example"\nmail_from = "Kudu camp <box@camp.example>"\n'
            f'mail_host = "127.0.0.1"\nmail_tls = "none"\nmail_port = {port}\n'
        )
        child = subprocess.Popen([sys.executable, "-m", "deploy.cli", "notify", "--data", str(tmp_path)])
        try:
            wait_for(lambda: "notify" in signs(tmp_path), child)
            records.write_notices([NoticeChange("raised", told.cause_key, told)], (), now_ms=now_ms())
            wait_for(lambda: mailbox.got, child)
            wait_for(lambda: signs(tmp_path)["notify"].said["sent"] == 1, child)
            child.send_signal(signal.SIGTERM)
            assert child.wait(60.0) == 0
        finally:
            if child.poll() is None:
                child.kill()
                child.wait()
    (mail,) = mailbox.got
    assert mailbox.to == [["cook@camp.example"]]
    link = r"^Say that you see to it: https://box\.example/t/\S{22}\r?$"
    assert re.search(link, mail.get_content(), re.MULTILINE)
    (sent,) = records.outbox(since_ms=0)
    assert sent.state == "sent"
    assert "/t/" not in sent.message.body, "a link that works is kept nowhere"
    assert next(each.proven_ms for each in records.ways() if each.id == way) is not None
    records.close()
