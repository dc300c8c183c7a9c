from dataclasses import replace

import numpy as np
import pytest

from firmware_sim.firmware.build import Build
from firmware_sim.firmware.flash import PAGE_BYTES
from firmware_sim.firmware.ring import is_measured
from firmware_sim.firmware.unit import REMEMBERED_CORRELATIONS, TIME_AFTER_MS, Firmware
from services.errors import ConfigurationError
from services.timebase import DAY_MS
from tests.helpers.flash import FailingFlash, PowerLostError

START_MS = 1_760_000_040_000
BUILD = Build(
    unit="cart-meat",
    channels=("cabinet", "battery", "compressor"),
    interval_s=60,
    step_s=30,
    phase_s=0,
    set_point_c=2.0,
    restart_v=12.5,
    ring_samples=200,
)


@pytest.fixture
def flash():
    return FailingFlash(BUILD.flash_pages)


def _boot(flash, *, boot_ms=START_MS, **changes):
    return Firmware(replace(BUILD, **changes), flash, boot_ms=boot_ms)


def _times(steps, start_ms=START_MS):
    return start_ms + 30_000 * np.arange(1, steps + 1, dtype=np.int64)


def _measure(firmware, steps, *, start_ms=START_MS, cabinet_c=2.0, battery_v=12.7, **more):
    values = {
        "cabinet": np.broadcast_to(np.asarray(cabinet_c, dtype=float), (steps,)),
        "battery": np.full(steps, battery_v),
        "compressor": np.zeros(steps),
    }
    return firmware.take(_times(steps, start_ms), values, **more)


def _told(firmware):
    return [event for _, event in firmware.events.waiting(100)]


def _kinds(firmware):
    return [event.kind for event in _told(firmware)]


def test_it_samples_at_its_interval_and_numbers_from_zero(flash):
    firmware = _boot(flash)
    assert _measure(firmware, 10) == 5
    records = firmware.ring.read(0, 10)
    assert records["sq"].tolist() == [0, 1, 2, 3, 4]
    assert np.all(records["t_ms"] // 1000 % 60 == 0)


def test_a_moment_already_kept_is_not_kept_twice(flash):
    firmware = _boot(flash)
    _measure(firmware, 10)
    assert _measure(firmware, 14) == 2
    assert _measure(_boot(flash, boot_ms=START_MS + 60_000), 16) == 1


def test_each_boot_counts_up_and_begins_at_sample_zero(flash):
    first = _boot(flash)
    _measure(first, 10)
    second = _boot(flash)
    assert second.bid == first.bid + 1
    _measure(second, 20)
    assert second.ring.read(5, 10)[["bid", "sq"]].tolist() == [(2, k) for k in range(5)]


def test_a_kept_clock_holds_over_until_the_network_tells_the_time_and_a_day_after(flash):
    firmware = _boot(flash)
    times = _times(2 * 2880)
    network_ms = np.where(np.arange(times.size) < 20, times, -1)
    network_ms[:10] = -1
    _measure(firmware, times.size, network_ms=network_ms)
    records = firmware.ring.read(firmware.ring.counts().written - 50, 10**6)
    assert records["tq"][-1] == 1
    whole = _boot(FailingFlash(BUILD.flash_pages))
    _measure(whole, 40, network_ms=np.where(np.arange(40) < 10, -1, _times(40)))
    assert whole.ring.read(0, 20)["tq"].tolist() == [1] * 5 + [2] * 15


def test_a_clock_without_a_battery_is_unset_until_the_network_tells_the_time(flash):
    firmware = _boot(flash, backed_clock=False)
    network_ms = np.where(np.arange(20) < 8, -1, _times(20))
    _measure(firmware, 20, network_ms=network_ms)
    records = firmware.ring.read(0, 20)
    assert records["tq"].tolist() == [0] * 4 + [2] * 6
    assert (
        records["t_ms"][:4].tolist() == records["up_ms"][:4].tolist() == [60_000, 120_000, 180_000, 240_000]
    )
    assert records["t_ms"][4:].tolist() == _times(20)[9::2].tolist()
    assert firmware.boot_began(1) == START_MS
    assert firmware.boot_began(2) is None
    assert "clock_step" not in _kinds(firmware)


def test_a_clock_that_fell_out_is_unset_although_it_has_a_battery(flash):
    firmware = _boot(flash)
    _measure(firmware, 4)
    again_ms = START_MS + 120_000
    firmware.reboot(again_ms, "clock lost", clock_lost=True)
    _measure(firmware, 10, start_ms=again_ms, network_ms=_times(10, again_ms))
    records = firmware.ring.read(2, 10)
    assert records["bid"].tolist() == [2] * 5
    # The first at the network's word comes when it has had the time to listen.
    assert records["tq"].tolist() == [0] + [2] * 4
    assert TIME_AFTER_MS == 120_000


def test_a_step_of_the_clock_is_told_and_uptime_runs_on(flash):
    firmware = _boot(flash)
    _measure(firmware, 10, network_ms=_times(10))
    later_ms = START_MS + 300_000
    _measure(firmware, 10, start_ms=later_ms, network_ms=_times(10, later_ms) + 3_600_000)
    records = firmware.ring.read(0, 20)
    assert np.diff(records["t_ms"]).tolist() == [60_000] * 4 + [3_660_000] + [60_000] * 4
    assert np.diff(records["up_ms"]).tolist() == [60_000] * 9
    steps = [event for event in _told(firmware) if event.kind == "clock_step"]
    assert [event.detail for event in steps] == ["by +3600 s"]


def test_drift_of_less_than_two_seconds_is_no_step(flash):
    firmware = _boot(flash)
    _measure(firmware, 10, network_ms=_times(10) + 1900)
    assert "clock_step" not in _kinds(firmware)


def test_electronics_without_voltage_measure_nothing_and_boot_when_it_is_back(flash):
    firmware = _boot(flash)
    alive = np.ones(20, dtype=bool)
    alive[6:13] = False
    _measure(firmware, 20, alive=alive)
    records = firmware.ring.read(0, 20)
    assert records[["bid", "sq"]].tolist() == [(1, 0), (1, 1), (1, 2), (2, 0), (2, 1), (2, 2), (2, 3)]
    assert firmware.powered
    boots = [(event.bid, event.detail) for event in _told(firmware) if event.kind == "boot"]
    assert boots == [(1, "power"), (2, "supply came back")]


def test_a_block_that_ends_without_voltage_leaves_it_off(flash):
    firmware = _boot(flash)
    _measure(firmware, 4, alive=np.array([True, True, False, False]))
    assert not firmware.powered
    firmware.notice(_times(2), locked=np.array([True, True]))
    assert "cut_out" not in _kinds(firmware)
    _measure(firmware, 4, start_ms=START_MS + 120_000, alive=np.ones(4, dtype=bool))
    assert firmware.bid == 2


def test_a_sensor_that_stops_answering_gives_no_value_and_one_event(flash):
    firmware = _boot(flash)
    cabinet_c = np.full(20, 2.0)
    cabinet_c[8:14] = np.nan
    _measure(firmware, 20, cabinet_c=cabinet_c)
    kept = [is_measured(value) for value in firmware.ring.read(0, 20)["milli"][:, 0].tolist()]
    assert kept == [True] * 4 + [False] * 3 + [True] * 3
    told = [(event.kind, event.channel) for event in _told(firmware) if event.channel is not None]
    assert told == [("sensor_failed", "cabinet"), ("sensor_back", "cabinet")]


def test_a_cut_out_and_its_end_are_told_once_each(flash):
    firmware = _boot(flash)
    times = _times(6)
    firmware.notice(times, locked=np.array([False, False, True, True, True, True]))
    firmware.notice(times + 180_000, locked=np.array([True, False, False, False, False, False]))
    told = [(event.kind, event.t) for event in _told(firmware)[1:]]
    assert told == [("cut_out", times[2] / 1000.0), ("restart", (times[1] + 180_000) / 1000.0)]


def test_failed_starts_close_together_are_told_once(flash):
    firmware = _boot(flash)
    failed = np.repeat(np.arange(10), 4)
    firmware.notice(_times(40), locked=np.zeros(40, dtype=bool), failed_starts=failed)
    assert _kinds(firmware).count("start_failed") == 2  # 20 minutes of them


def test_events_wait_over_a_restart(flash):
    firmware = _boot(flash)
    firmware.notice(_times(1), locked=np.array([True]))
    again = _boot(flash)
    assert _kinds(again) == ["boot", "cut_out", "boot"]
    again.events.sent(1)
    assert _kinds(_boot(flash)) == ["boot", "boot"]


def test_an_event_without_a_clock_carries_uptime_only(flash):
    firmware = _boot(flash, backed_clock=False)
    firmware.notice(_times(1), locked=np.array([True]))
    told = _told(firmware)[-1]
    assert (told.kind, told.t, told.up) == ("cut_out", None, 30.0)


def test_a_memory_page_gone_bad_is_told_with_the_numbers_it_held(flash):
    firmware = _boot(flash)
    _measure(firmware, 360)
    flash.spoil(firmware.ring.page_of(50))
    firmware.check_memory(START_MS)
    details = [event.detail for event in _told(firmware) if event.kind == "memory_bad"]
    slots = firmware.ring.read(0, 999)["index"][0]
    assert details == [f"samples 0 to {slots - 1} of boot 1 are gone"]


def test_settings_lost_leap_beyond_every_number_used_before(flash):
    firmware = _boot(flash)
    for _ in range(3):
        firmware = _boot(flash)
    _measure(firmware, 10)
    flash.spoil(0)
    flash.spoil(1)
    again = _boot(flash)
    assert again.bid > firmware.bid + 1000
    assert "memory_lost" in _kinds(again)


def test_the_newer_settings_page_lost_does_not_bring_an_old_boot_back(flash):
    for spoilt in (0, 1):
        before = _boot(flash)
        flash.spoil(spoilt)
        assert _boot(flash).bid > before.bid


def test_another_identity_gives_up_what_is_kept_and_leaps(flash):
    firmware = _boot(flash)
    _measure(firmware, 10)
    other = _boot(flash, unit="cart-drinks")
    counts = other.ring.counts()
    assert counts.freed == counts.written
    assert other.bid > firmware.bid + 1000
    assert "identity_changed" in _kinds(other)


def test_a_later_boot_known_to_the_service_is_leapt_over_but_no_absurd_one(flash):
    firmware = _boot(flash)
    firmware.meet(-1, START_MS)
    assert firmware.bid == 1
    firmware.meet(41, START_MS + 1000)
    assert firmware.bid == 42
    firmware.meet(41, START_MS + 2000)
    firmware.meet(2**53, START_MS + 3000)
    assert firmware.bid == 42


def test_new_memory_under_an_old_name_moves_its_boots_and_samples_beyond(flash):
    _measure(_boot(flash), 10)
    firmware = _boot(flash, boot_ms=START_MS + 600_000)
    _measure(firmware, 6, start_ms=START_MS + 600_000)
    firmware.meet(7, START_MS + 900_000)
    assert (firmware.bid, firmware.met) == (9, True)
    counts = firmware.ring.counts()
    waiting = firmware.ring.read(counts.freed, counts.written)
    assert waiting[["bid", "sq"]].tolist() == [(8, k) for k in range(5)] + [(9, k) for k in range(3)]
    _measure(firmware, 10, start_ms=START_MS + 600_000)
    assert firmware.ring.read(counts.written, 10**6)[["bid", "sq"]].tolist() == [(9, 3), (9, 4)]
    assert _boot(flash).met


def test_power_lost_while_boots_are_moved_leaves_no_sample_under_a_number_of_before():
    def fresh():
        flash = FailingFlash(BUILD.flash_pages)
        _measure(_boot(flash), 10)
        flash.used = 0
        return flash, _boot(flash, boot_ms=START_MS + 600_000)

    flash, firmware = fresh()
    begun = flash.used
    firmware.meet(7, START_MS + 900_000)
    costs = flash.used - begun
    assert costs > 300
    for stop in range(costs):
        flash, firmware = fresh()
        times = firmware.ring.read(0, 99)["t_ms"].tolist()
        flash.fail_after(stop)
        with pytest.raises(PowerLostError):
            firmware.meet(7, START_MS + 900_000)
        flash.power()
        again = _boot(flash, boot_ms=START_MS + 1_200_000)
        again.meet(7, START_MS + 1_200_000)
        counts = again.ring.counts()
        waiting = again.ring.read(counts.freed, counts.written)
        assert sorted(set(waiting["t_ms"].tolist())) == times, stop
        assert int(waiting["bid"].min()) > 7, stop
        assert again.bid > int(waiting["bid"].max()), stop


def test_new_memory_under_a_new_name_stays_as_it_is(flash):
    firmware = _boot(flash)
    _measure(firmware, 10)
    firmware.meet(-1, START_MS)
    assert (firmware.bid, firmware.ring.counts().freed) == (1, 0)


def test_the_interval_can_be_set_and_is_remembered(flash):
    _boot(flash).set_interval(120)
    again = _boot(flash)
    assert again.interval_s == 120
    assert _measure(again, 40) == 10


def test_a_repeated_command_is_recognised_also_after_a_restart(flash):
    firmware = _boot(flash)
    assert not firmware.is_repeat(b"\x01" * 16)
    assert firmware.is_repeat(b"\x01" * 16)
    again = _boot(flash)
    assert again.is_repeat(b"\x01" * 16)
    for k in range(REMEMBERED_CORRELATIONS):
        again.is_repeat(bytes([2, k]))
    assert not again.is_repeat(b"\x01" * 16)


def test_status_tells_boot_channels_and_next_contact(flash):
    status = _boot(flash).status()
    assert (status.s, status.bid, status.next) == ("on", 1, 60)
    assert status.cap == ("cabinet", "battery", "compressor")


def test_a_unit_that_spares_its_link_says_when_it_calls_again(flash):
    status = _boot(flash, pack_s=3600).status()
    assert (status.s, status.next) == ("sleep", 3600)


def test_memory_of_other_channels_is_refused(flash):
    _boot(flash)
    with pytest.raises(ConfigurationError, match="other channels"):
        _boot(flash, channels=("cabinet", "compressor"))


def test_its_storage_is_as_large_as_it_says():
    assert replace(BUILD, ring_samples=60_000).flash_pages * PAGE_BYTES < 4 * 2**20
    assert DAY_MS == 86_400_000


def test_a_network_that_lets_it_in_tells_it_the_time_at_once(flash):
    firmware = _boot(flash, backed_clock=False)
    _measure(firmware, 4)
    firmware.learn(START_MS + 125_000, START_MS + 125_000)
    assert firmware.boot_began(firmware.bid) == START_MS
    firmware.learn(START_MS - 3_600_000 + 130_000, START_MS + 130_000)
    assert firmware.boot_began(firmware.bid) == START_MS - 3_600_000
    assert _kinds(firmware)[-1] == "clock_step"


def _twice_without_the_time(flash, **build):
    """A clock lost, ten minutes, the supply away for two hours, ten minutes; the network never reached it."""
    firmware = _boot(flash, **build)
    _measure(firmware, 4)
    firmware.reboot(START_MS + 600_000, "clock lost", clock_lost=True)
    _measure(firmware, 20, start_ms=START_MS + 600_000)
    later_ms = START_MS + 600_000 + 2 * 3_600_000
    firmware.reboot(later_ms, "supply came back")
    _measure(firmware, 20, start_ms=later_ms)
    return firmware, later_ms


def test_boots_since_a_clock_was_lost_are_all_dated_once_the_time_is_learnt(flash):
    firmware, later_ms = _twice_without_the_time(flash)
    bid = firmware.bid
    assert [firmware.boot_began(boot) for boot in (bid - 1, bid)] == [None, None]
    firmware.learn(later_ms + 700_000, later_ms + 700_000)
    assert [firmware.boot_began(boot) for boot in (bid - 1, bid)] == [START_MS + 600_000, later_ms]
    assert firmware.boot_began(bid - 2) is None


def test_they_are_dated_over_a_restart_and_after_a_move_of_boots(flash):
    firmware, later_ms = _twice_without_the_time(flash)
    firmware.meet(40, later_ms + 650_000)
    bid = firmware.bid
    again = _boot(flash, boot_ms=later_ms + 700_000)
    assert not again.clock.is_set
    again.learn(later_ms + 800_000, later_ms + 800_000)
    assert again.boot_began(bid - 1) == START_MS + 600_000
    assert again.boot_began(bid) == later_ms


def test_a_clock_without_a_battery_dates_no_boot_but_its_own(flash):
    firmware, later_ms = _twice_without_the_time(flash, backed_clock=False)
    firmware.learn(later_ms + 700_000, later_ms + 700_000)
    assert firmware.boot_began(firmware.bid) == later_ms
    assert firmware.boot_began(firmware.bid - 1) is None


def test_a_clock_lost_again_dates_nothing_from_before(flash):
    firmware, later_ms = _twice_without_the_time(flash)
    firmware.reboot(later_ms + 700_000, "clock lost", clock_lost=True)
    firmware.learn(later_ms + 800_000, later_ms + 800_000)
    assert firmware.boot_began(firmware.bid - 1) is None


def test_a_wrong_time_is_kept_by_its_own_battery(flash):
    firmware = _boot(flash)
    firmware.learn(START_MS + 5_400_000, START_MS)
    again = _boot(flash, boot_ms=START_MS + 60_000)
    assert again.now(START_MS + 60_000)[0] == START_MS + 5_460_000
