from dataclasses import replace

import numpy as np
import pytest

from firmware_sim.firmware.unit import REMEMBERED_CORRELATIONS, Build, Firmware
from services.errors import ConfigurationError
from services.telemetry.messages import Command

START_MS = 1_760_000_040_000
BUILD = Build(
    unit="cart-meat",
    channels=("cabinet", "battery", "compressor"),
    interval_s=60,
    step_s=30,
    phase_s=0,
    set_point_c=2.0,
    restart_v=12.5,
    ring_samples=50,
)


@pytest.fixture
def make(tmp_path):
    opened = []

    def _make(**changes):
        firmware = Firmware(replace(BUILD, **changes), tmp_path, boot_ms=START_MS)
        opened.append(firmware)
        return firmware

    yield _make
    for firmware in opened:
        firmware.close()


def _measure(firmware, steps, *, start_ms=START_MS, cabinet_c=2.0, battery_v=12.7):
    times = start_ms + 30_000 * np.arange(1, steps + 1, dtype=np.int64)
    values = {
        "cabinet": np.full(steps, cabinet_c),
        "battery": np.full(steps, battery_v),
        "compressor": np.zeros(steps),
    }
    return firmware.take(times, values)


def _command(name, **args):
    return Command.model_validate({"name": name, "args": args})


def test_it_samples_at_its_interval_and_numbers_from_zero(make):
    firmware = make()
    assert _measure(firmware, 10) == 5
    records = firmware.ring.read(0, 10)
    assert records["sq"].tolist() == [0, 1, 2, 3, 4]
    assert np.all(records["t_ms"] // 1000 % 60 == 0)


def test_a_time_already_kept_is_not_kept_twice(make):
    firmware = make()
    _measure(firmware, 10)
    assert _measure(firmware, 14) == 2


def test_each_boot_counts_up_and_begins_at_sample_zero(make):
    first = make()
    _measure(first, 10)
    first.close()
    second = make()
    assert second.bid == first.bid + 1
    _measure(second, 20)
    assert second.ring.read(5, 10)[["bid", "sq"]].tolist() == [(2, k) for k in range(5)]


def test_the_interval_can_be_set_and_is_remembered(make):
    firmware = make()
    reply, _ = firmware.obey(_command("set", interval_s=120), now_ms=START_MS)
    assert reply.result == "done"
    assert _measure(firmware, 40) == 10
    firmware.close()
    assert make().interval_s == 120


def test_an_interval_it_cannot_keep_is_refused(make):
    reply, _ = make().obey(_command("set", interval_s=45), now_ms=START_MS)
    assert (reply.result, make().interval_s) == ("refused", 60)


def test_backfill_names_what_to_send_and_what_is_gone(make):
    firmware = make()
    _measure(firmware, 140)  # 70 samples into room for 50
    reply, stretches = firmware.obey(_command("backfill", bid=1, **{"from": 10, "to": 29}), now_ms=START_MS)
    assert stretches == [(20, 30)]
    assert [(gone.from_sq, gone.to_sq) for gone in reply.gone] == [(10, 19)]
    assert reply.result == "done"


def test_backfill_of_what_is_no_longer_there_is_answered_gone(make):
    firmware = make()
    reply, stretches = firmware.obey(_command("backfill", bid=7, **{"from": 0, "to": 9}), now_ms=START_MS)
    assert (reply.result, stretches) == ("gone", [])


@pytest.mark.parametrize(
    ("cabinet_c", "battery_v", "result"),
    [(2.0, 12.7, "done"), (4.5, 12.7, "refused"), (2.0, 12.1, "refused")],
)
def test_it_reboots_only_when_cold_and_charged(make, cabinet_c, battery_v, result):
    firmware = make()
    _measure(firmware, 4, cabinet_c=cabinet_c, battery_v=battery_v)
    before = firmware.bid
    reply, _ = firmware.obey(_command("reboot"), now_ms=START_MS + 120_000)
    assert reply.result == result
    assert firmware.bid == before + (result == "done")


def test_it_does_not_reboot_before_it_has_measured_anything(make):
    assert make().obey(_command("reboot"), now_ms=START_MS)[0].result == "refused"


def test_update_is_not_in_this_firmware(make):
    reply, _ = make().obey(_command("update", version="2", sha256="0" * 64), now_ms=START_MS)
    assert reply.result == "refused"


def test_a_repeated_command_is_recognised_also_after_a_restart(make):
    firmware = make()
    assert not firmware.is_repeat(b"\x01" * 16)
    assert firmware.is_repeat(b"\x01" * 16)
    firmware.close()
    again = make()
    assert again.is_repeat(b"\x01" * 16)
    for k in range(REMEMBERED_CORRELATIONS):
        again.is_repeat(bytes([2, k]))
    assert not again.is_repeat(b"\x01" * 16)


def test_a_cut_out_and_its_end_are_told_once_each(make):
    firmware = make()
    times = START_MS + 30_000 * np.arange(1, 7, dtype=np.int64)
    first = firmware.cutout_events(times, np.array([False, False, True, True, True, True]))
    assert [(event.kind, event.t) for event in first] == [("cut_out", times[2] / 1000.0)]
    second = firmware.cutout_events(times + 180_000, np.array([True, False, False, False, False, False]))
    assert [(event.kind, event.t) for event in second] == [("restart", (times[1] + 180_000) / 1000.0)]


def test_status_tells_boot_channels_and_next_contact(make):
    status = make().status()
    assert (status.s, status.bid, status.next) == ("on", 1, 60)
    assert status.cap == ("cabinet", "battery", "compressor")


def test_a_memory_file_that_is_none_is_refused_by_name(tmp_path):
    (tmp_path / "cart-meat.json").write_text("[]", encoding="utf-8")
    with pytest.raises(ConfigurationError, match=r"cart-meat\.json"):
        Firmware(BUILD, tmp_path, boot_ms=START_MS)
