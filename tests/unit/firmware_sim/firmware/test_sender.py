import numpy as np
import pytest

from firmware_sim.firmware.build import Build
from firmware_sim.firmware.sender import RESEND_AFTER_S, UNCONFIRMED_PACKS, Sender
from firmware_sim.firmware.unit import Firmware
from services.telemetry.messages import Ack
from services.telemetry.packs import decode_pack
from services.telemetry.topics import topic
from tests.helpers.flash import FailingFlash

START_MS = 1_760_000_040_000
BUILD = Build("cart-meat", ("cabinet", "compressor"), 60, 30, 0, 2.0, 12.5, ring_samples=3000)


class Bench:
    """A unit with its sender, and what it handed on."""

    def __init__(self, samples, **build):
        self.flash = FailingFlash(BUILD.flash_pages)
        self.firmware = Firmware(Build(**{**vars(BUILD), **build}), self.flash, boot_ms=START_MS)
        self.at_s = 0.0
        self.now_ms = START_MS + 60_000 * samples
        self.packs = []
        self.measure(samples)
        self.sender = Sender(
            self.firmware, self._take, now_ms=lambda: self.now_ms, monotonic_s=lambda: self.at_s
        )

    def measure(self, samples, **more):
        times = self.firmware._newest_ms // 60_000 * 60_000
        times = max(times, START_MS // 60_000 * 60_000) + 60_000 * np.arange(1, samples + 1, dtype=np.int64)
        values = {"cabinet": np.full(samples, 2.0), "compressor": np.zeros(samples)}
        self.firmware.take(times, values, **more)
        self.now_ms = int(times[-1])

    @property
    def end(self):
        return self.firmware.ring.counts().written

    def _take(self, leaf, payload, expiry_s):
        pack = decode_pack(topic("cart-meat", leaf), payload, received_ms=self.now_ms, expiry_left_s=expiry_s)
        assert not pack.rejected
        self.packs.append((leaf, [sample.sq for sample in pack.samples], pack, expiry_s))

    def numbers(self):
        return [(leaf, numbers[0], numbers[-1]) for leaf, numbers, *_ in self.packs]

    def confirm(self, sq, bid=1):
        self.sender.confirmed(Ack.model_validate({"acks": [{"bid": bid, "sq": sq}]}))


@pytest.fixture
def bench():
    return Bench(700)


def test_the_newest_goes_first_then_ten_packs_from_the_oldest(bench):
    bench.sender.begin(bench.end)
    bench.sender.turn(bench.end)
    assert bench.numbers()[0] == ("up/data", 699, 699)
    assert bench.numbers()[1:] == [("up/bulk", k, k + 59) for k in range(0, 600, 60)]
    assert UNCONFIRMED_PACKS == 10


def test_more_goes_when_some_is_confirmed(bench):
    bench.sender.begin(bench.end)
    bench.sender.turn(bench.end)
    bench.confirm(130)
    bench.sender.turn(bench.end)
    assert bench.numbers()[11:] == [("up/bulk", 600, 659), ("up/bulk", 660, 699)]
    assert not bench.sender.idle(bench.end)
    bench.confirm(699)
    assert bench.sender.idle(bench.end)


def test_what_is_not_confirmed_for_long_is_sent_again_ever_more_patiently(bench):
    bench.sender.begin(bench.end)
    moments = []
    for _ in range(400):
        before = len(bench.packs)
        bench.sender.turn(bench.end)
        if len(bench.packs) > before:
            moments.append(bench.at_s)
        bench.at_s += 1.0
    assert np.diff(moments).tolist() == [RESEND_AFTER_S + 1, 2 * RESEND_AFTER_S + 1, 4 * RESEND_AFTER_S + 1]


def test_a_new_sample_goes_at_once_and_only_once_when_nothing_waits(bench):
    bench.sender.begin(bench.end)
    bench.confirm(699)
    bench.packs.clear()
    bench.sender.turn(bench.end)
    bench.measure(1)
    bench.sender.turn(bench.end)
    bench.sender.turn(bench.end)
    assert bench.numbers()[-1] == ("up/data", 700, 700)
    assert len([each for each in bench.packs if each[1] == [700]]) == 1


def test_a_unit_that_packs_keeps_samples_for_the_next_pack(bench):
    bench.sender.begin(bench.end)
    bench.confirm(699)
    bench.packs.clear()
    bench.measure(60)
    bench.sender.turn(bench.end, each_sample=False)
    assert bench.numbers() == [("up/bulk", 700, 759)]


def test_a_stretch_asked_for_is_sent_whatever_is_confirmed(bench):
    bench.confirm(699)
    bench.sender.begin(bench.end)
    bench.sender.send_again([(10, 80)])
    for _ in range(3):
        bench.sender.turn(bench.end, each_sample=False)
    assert bench.numbers() == [("up/bulk", 10, 69), ("up/bulk", 70, 79)]


def test_a_hole_in_the_memory_ends_a_pack_and_is_passed_over(bench):
    bench.flash.spoil(bench.firmware.ring.page_of(150))
    bench.firmware.check_memory(bench.now_ms)
    bench.sender.begin(bench.end)
    bench.sender.turn(bench.end)
    sent = [sq for _, numbers, *_ in bench.packs[1:] for sq in numbers]
    kept = bench.firmware.ring.read(0, 10**6)["sq"].tolist()
    assert sent == kept[: len(sent)]
    assert len(kept) < 700


def test_without_a_clock_packs_carry_an_expiry_and_right_times_all_the_same():
    bench = Bench(5, backed_clock=False)
    bench.sender.begin(bench.end)
    bench.sender.turn(bench.end, each_sample=False)
    ((_, _, pack, expiry_s),) = bench.packs
    assert expiry_s == 604_800
    assert pack.relative
    newest_ms = START_MS // 60_000 * 60_000 + 300_000
    assert [sample.t_ms for sample in pack.samples] == [newest_ms - 60_000 * k for k in range(4, -1, -1)]


def test_a_boot_that_never_had_a_clock_seems_no_older_than_the_boots_after_it():
    bench = Bench(5, backed_clock=False)
    bench.firmware.reboot(bench.now_ms + 3_600_000, "power")
    bench.measure(70)
    bench.now_ms += 10_000
    bench.sender.begin(bench.end)
    bench.sender.turn(bench.end, each_sample=False)
    pack = bench.packs[0][2]
    assert pack.relative
    assert {sample.tq for sample in pack.samples} == {0}
    assert pack.samples[-1].t_ms <= bench.now_ms - 10_000
