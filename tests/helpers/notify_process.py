"""The delivering half of the notify process, to be killed: ``python -m tests.helpers.notify_process``."""

import sys
import threading

from services.clock import now_ms
from services.notify.delivering import Delivering
from services.notify.mail import MailSender, MailServer
from services.notify.running import run_notify
from services.records.facade import Records

QUICKER = 120
"""How much faster its clock runs: waits of minutes are over in half a second."""


def quick_ms() -> int:
    """Return the moment by the quick clock: the same in every process."""
    return now_ms() * QUICKER


def main(where: str, port: str) -> None:
    """Send what waits in some records to a mail server, until killed."""
    records = Records(where)
    server = MailServer("127.0.0.1", int(port), "none", "box@camp.example")
    delivering = Delivering(records, {"mail": MailSender(server, now_ms)}, quick_ms)
    run_notify(
        lambda _now_ms: 0,
        delivering,
        waiting=records.out_waiting,
        stop=threading.Event(),
        clock=quick_ms,
        heartbeat=lambda _now_ms, _said: None,
    )


if __name__ == "__main__":
    main(*sys.argv[1:])
