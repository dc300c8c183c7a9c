import numpy as np
import pytest

from firmware_sim.firmware.build import Build
from firmware_sim.firmware.commands import GONE_NAMED, obey
from firmware_sim.firmware.unit import Firmware
from services.telemetry.messages import Command
from tests.helpers.flash import FailingFlash

START_MS = 1_760_000_040_000
BUILD = Build("cart-meat", ("cabinet", "battery", "compressor"), 60, 30, 0, 2.0, 12.5, ring_samples=200)


@pytest.fixture
def flash():
    return FailingFlash(BUILD.flash_pages)


@pytest.fixture
def firmware(flash):
    return Firmware(BUILD, flash, boot_ms=START_MS)


def _measure(firmware, samples, *, cabinet_c=2.0, battery_v=12.7):
    times = START_MS + 60_000 * np.arange(1, samples + 1, dtype=np.int64) - START_MS % 60_000
    values = {"cabinet": cabinet_c, "battery": battery_v, "compressor": 0.0}
    firmware.take(times, {name: np.full(samples, value) for name, value in values.items()})


def _ask(firmware, name, **args):
    return obey(firmware, Command.model_validate({"name": name, "args": args}), now_ms=START_MS + 600_000)


def _gone(reply):
    return [(gone.from_sq, gone.to_sq) for gone in reply.gone]


def test_the_interval_can_be_set_in_whole_steps_only(firmware):
    assert _ask(firmware, "set", interval_s=120)[0].result == "done"
    assert _ask(firmware, "set", interval_s=45)[0].result == "refused"
    assert firmware.interval_s == 120


def test_backfill_names_what_is_sent_again(firmware):
    _measure(firmware, 40)
    reply, stretches = _ask(firmware, "backfill", bid=1, **{"from": 10, "to": 29})
    assert (reply.result, _gone(reply), stretches) == ("done", [], [(10, 30)])


def test_backfill_names_what_was_overwritten(firmware):
    _measure(firmware, 400)
    oldest = int(firmware.ring.read(0, 10**6)["sq"][0])
    assert oldest > 10
    reply, stretches = _ask(firmware, "backfill", bid=1, **{"from": 10, "to": oldest + 4})
    assert (reply.result, _gone(reply)) == ("done", [(10, oldest - 1)])
    assert stretches == [(oldest, oldest + 5)]


def test_backfill_names_a_hole_a_bad_page_left_in_the_middle(firmware, flash):
    _measure(firmware, 250)
    flash.spoil(firmware.ring.page_of(100))
    firmware.check_memory(START_MS)
    kept = set(firmware.ring.read(0, 999)["sq"].tolist())
    reply, stretches = _ask(firmware, "backfill", bid=1, **{"from": 0, "to": 249})
    ((first, last),) = _gone(reply)
    assert set(range(250)) - kept == set(range(first, last + 1))
    assert stretches == [(0, first), (last + 1, 250)]


def test_backfill_of_what_is_no_longer_there_is_answered_gone(firmware):
    reply, stretches = _ask(firmware, "backfill", bid=7, **{"from": 0, "to": 9})
    assert (reply.result, _gone(reply), stretches) == ("gone", [(0, 9)], [])
    assert GONE_NAMED == 64


@pytest.mark.parametrize(
    ("cabinet_c", "battery_v", "result"),
    [
        (2.0, 12.7, "done"),
        (4.5, 12.7, "refused"),
        (2.0, 12.1, "refused"),
        (np.nan, 12.7, "refused"),
        (2.0, np.nan, "refused"),
    ],
)
def test_it_reboots_only_when_known_to_be_cold_and_charged(firmware, cabinet_c, battery_v, result):
    _measure(firmware, 4, cabinet_c=cabinet_c, battery_v=battery_v)
    reply, _ = _ask(firmware, "reboot")
    assert reply.result == result
    assert firmware.bid == 1 + (result == "done")


def test_it_does_not_reboot_before_it_has_measured_anything(firmware):
    assert _ask(firmware, "reboot")[0].result == "refused"


def test_update_is_not_in_this_firmware(firmware):
    assert _ask(firmware, "update", version="2", sha256="0" * 64)[0].result == "refused"


def test_status_names_the_boot(firmware):
    reply, _ = _ask(firmware, "status")
    assert (reply.result, reply.detail) == ("done", "bid 1")
