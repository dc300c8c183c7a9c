"""Power may go at any byte written to flash: nothing kept is lost, no number stands for two samples."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_sim.firmware.build import Build
from firmware_sim.firmware.packing import samples_of
from firmware_sim.firmware.unit import Firmware
from tests.helpers.flash import FailingFlash, PowerLostError

BUILD = Build("cart-meat", ("cabinet", "compressor"), 60, 30, 0, 2.0, 12.5, ring_samples=1200)
BEGIN_MS = 1_760_000_040_000
MINUTE_MS = 60_000


class World:
    """A unit, the service that knows only what it was sent, and what is true of both."""

    def __init__(self, seed):
        self.flash = FailingFlash(BUILD.flash_pages, seed=seed)
        self.now_ms = BEGIN_MS
        self.kept = {}
        self.ever = {}
        self.held = {}
        self.obeyed = set()
        self.firmware = None

    def boot(self):
        self.firmware = Firmware(BUILD, self.flash, boot_ms=self.now_ms)

    def measure(self, samples):
        """One sample at a time, as a board does; each is true once `take` has returned."""
        for _ in range(samples):
            self.now_ms += MINUTE_MS
            before = self.firmware.ring.counts().written
            values = {
                "cabinet": np.array([(self.now_ms // MINUTE_MS) % 977 / 10.0]),
                "compressor": np.zeros(1),
            }
            assert (
                self.firmware.take(np.array([self.now_ms]), values, network_ms=np.array([self.now_ms])) == 1
            )
            for sample in self._samples(before):
                self.kept[sample.bid, sample.sq] = sample

    def _samples(self, start):
        ring = self.firmware.ring
        return samples_of(BUILD.unit, BUILD.channels, ring.read(start, ring.counts().written))

    def send(self, most):
        """The unit sends its oldest unconfirmed ones; the service confirms what it holds without a gap."""
        freed = self.firmware.ring.counts().freed
        for sample in self._samples(freed)[:most]:
            self.seen(sample)
            self.held[sample.bid, sample.sq] = sample
        marks = {}
        for bid in {bid for bid, _ in self.held}:
            mark = -1
            while (bid, mark + 1) in self.held:
                mark += 1
            if mark >= 0:
                marks[bid] = mark
        self.firmware.ring.free(marks)

    def seen(self, sample):
        """No number stands for two samples, whatever the supply did."""
        first = self.ever.setdefault((sample.bid, sample.sq), sample)
        assert first == sample

    def command(self, number):
        if not self.firmware.is_repeat(bytes([number]) * 16):
            assert number not in self.obeyed, "obeyed twice"
            self.obeyed.add(number)

    def look(self):
        """Everything kept is held by the service or still on flash."""
        waiting = {}
        for sample in self._samples(self.firmware.ring.counts().freed):
            self.seen(sample)
            waiting[sample.bid, sample.sq] = sample
        for identity, sample in self.kept.items():
            assert waiting.get(identity, self.held.get(identity)) == sample, identity
        for identity in self.held:
            assert self.held[identity] == self.ever[identity]


moves = st.one_of(
    st.tuples(st.just("measure"), st.integers(1, 60)),
    st.tuples(st.just("send"), st.integers(1, 200)),
    st.tuples(st.just("command"), st.integers(0, 20)),
    st.tuples(st.just("event"), st.just(0)),
    st.tuples(st.just("set"), st.sampled_from([60])),
)


def _do(world, move):
    what, number = move
    if what == "measure":
        world.measure(number)
    elif what == "send":
        world.send(number)
    elif what == "command":
        world.command(number)
    elif what == "set":
        world.firmware.set_interval(number)
    else:
        locked = not world.firmware._noticer._locked
        world.firmware.notice(np.array([world.now_ms]), locked=np.array([locked]))


@settings(max_examples=60, deadline=None)
@given(
    lives=st.lists(
        st.tuples(st.lists(moves, min_size=1, max_size=6), st.integers(0, 6000)), min_size=1, max_size=6
    ),
    seed=st.integers(0, 2**32),
)
def test_whatever_moment_power_goes_nothing_kept_is_lost_and_no_number_comes_twice(lives, seed):
    world = World(seed)
    for done, stop in lives:
        world.flash.fail_after(stop)
        try:
            world.boot()
            for move in done:
                _do(world, move)
        except PowerLostError:
            pass
        world.flash.power()
        world.now_ms += 7 * MINUTE_MS
        world.boot()
        world.look()
        world.now_ms += MINUTE_MS
    world.send(10**6)
    assert set(world.kept) <= set(world.held)


def test_power_lost_at_every_single_byte_of_one_minute_of_life():
    """Boot, a sample, a command, a confirmation: each byte of it is a place to stop."""
    start = World(1)
    start.boot()
    start.measure(30)
    start.send(20)
    cells, kept, held, ever = bytes(start.flash.cells), dict(start.kept), dict(start.held), dict(start.ever)

    def live(world):
        world.boot()
        world.measure(2)
        world.command(1)
        world.send(5)
        world.measure(1)

    def again(stop):
        world = World(stop)
        world.flash.cells[:] = cells
        world.kept, world.held, world.ever = dict(kept), dict(held), dict(ever)
        world.now_ms = start.now_ms + MINUTE_MS
        return world

    whole = again(0)
    live(whole)
    assert whole.flash.used > 400
    for stop in range(whole.flash.used):
        world = again(stop)
        world.flash.fail_after(stop)
        try:
            live(world)
        except PowerLostError:
            world.flash.power()
        world.now_ms += 5 * MINUTE_MS
        world.boot()
        world.look()
        world.measure(2)
        world.send(10**6)
        world.look()
        assert set(world.kept) <= set(world.held), stop
