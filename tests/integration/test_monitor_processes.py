"""The monitor in a process of its own, beside one that stores samples and one that signs."""

import multiprocessing
import signal
import threading
import time

import pytest

from services.clock import now_ms
from services.domain import Verdict
from services.errors import Refused
from services.monitor.running import run_monitor
from services.pulse import Pulse, signs
from services.records.facade import Records
from services.store.sqlite import SqliteReader
from tests.helpers.house import DAY_MS, House, minutes

pytestmark = pytest.mark.integration

ENOUGH_S = 30


def watch(folder):
    """Run the monitor until a termination signal comes."""
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    reader, records = SqliteReader(folder / "telemetry.db"), Records(folder / "records.db")
    beat = Pulse(folder, "monitor").beat
    run_monitor(reader, records, stop=stop, clock=now_ms, heartbeat=beat, keep_ms=731 * DAY_MS)
    reader.close()
    records.close()


@pytest.fixture
def house(tmp_path):
    opened = House(tmp_path, fleet_ms=now_ms() - 30 * DAY_MS)
    process = multiprocessing.get_context("spawn").Process(target=watch, args=(tmp_path,))
    process.start()
    yield opened
    process.terminate()
    process.join(20)
    opened.close()
    assert process.exitcode == 0


def wait_for(condition):
    end = time.monotonic() + ENOUGH_S
    while time.monotonic() < end:
        if condition():
            return
        time.sleep(0.05)
    pytest.fail("waited too long")


def standing(house):
    card = house.records.card("v3-meat")
    return None if card is None else card.standing


def test_a_hold_is_found_signed_for_and_stays_closed_across_processes(house):
    now = now_ms()
    house.hear(minutes([2.0] * 120 + [12.0] * 100 + [2.0] * 60, end_ms=now), at_ms=now)
    wait_for(lambda: standing(house) is Verdict.HOLD)
    house.sign(at_ms=now_ms())
    assert standing(house) is Verdict.WATCH
    signed = house.records.change_no()
    wait_for(lambda: house.records.change_no() > signed)
    assert standing(house) is Verdict.WATCH
    with pytest.raises(Refused):
        house.sign(at_ms=now_ms())
    assert signs(house.folder).keys() == {"monitor"}


def test_people_and_monitor_writing_at_once_lose_nothing(house):
    wait_for(lambda: standing(house) is not None)
    now = now_ms()
    slowest_s = 0.0
    for number in range(40):
        house.hear(minutes([2.0], end_ms=now + number, first_sq=number), at_ms=now + number)
        begun = time.monotonic()
        house.records.say_note("v3-meat", who="Asha", note=f"looked {number}", now_ms=now_ms())
        slowest_s = max(slowest_s, time.monotonic() - begun)
    assert [s.body["note"] for s in house.records.statements("v3-meat")] == [
        f"looked {number}" for number in reversed(range(40))
    ]
    wait_for(lambda: house.records.monitor_position() == house.reader.changes_after(0)[-1].change_no)
    assert slowest_s < 5.0
