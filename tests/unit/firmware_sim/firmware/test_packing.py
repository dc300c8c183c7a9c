import numpy as np

from firmware_sim.firmware.packing import BYTES_A_PACK, SAMPLES_A_PACK, first_pack, samples_of
from firmware_sim.firmware.ring import Ring, milli_or_missing
from services.telemetry.packs import decode_pack
from services.telemetry.topics import topic
from tests.helpers.flash import FailingFlash

UNIT, CHANNELS = "cart-meat", ("cabinet", "battery", "compressor", "lid")
START_MS = 1_760_000_000_000


def _records(stretches, *, tq=2, error_ms=0):
    ring = Ring(FailingFlash(8), channels=CHANNELS, mark_pages=(0, 2), pages=(2, 6))
    up_ms = 0
    for bid, sq, values in stretches:
        ups = up_ms + 60_000 * np.arange(len(values), dtype=np.int64)
        up_ms = int(ups[-1]) + 60_000
        times = ups if tq == 0 else START_MS + ups
        ring.append(
            bid=bid, sq=sq, tq=tq, t_ms=times + error_ms, up_ms=ups, milli=milli_or_missing(np.array(values))
        )
    return ring.read(0, 1000)


def _samples(stretches, **how):
    return samples_of(UNIT, CHANNELS, _records(stretches, **how))


def _decoded(payload, *, received_ms=START_MS, expiry_left_s=None):
    return decode_pack(topic(UNIT, "up/bulk"), payload, received_ms=received_ms, expiry_left_s=expiry_left_s)


ROW = [2.0, 12.5, 1.0, 0.0]


def test_a_pack_comes_back_as_the_samples_that_went_in():
    values = [[2.0 + 0.1 * k, 12.61, float(k % 3 == 0), float(k % 7 == 0)] for k in range(50)]
    samples = _samples([(4, 7, values)])
    payload, size = first_pack(samples)
    pack = _decoded(payload)
    assert size == 50
    assert not pack.rejected
    assert list(pack.samples) == samples


def test_a_value_that_was_not_measured_is_left_out():
    (sample,) = _samples([(1, 0, [[np.nan, 12.5, 1.0, 0.0]])])
    assert dict(sample.values) == {"battery": 12.5, "compressor": True, "lid": False}
    assert list(_decoded(first_pack([sample])[0]).samples) == [sample]


def test_a_pack_ends_at_sixty_samples_and_within_sixteen_kibibytes():
    rng = np.random.default_rng(1)
    values = np.stack([*rng.normal(3, 1, (2, 100)), *rng.integers(0, 2, (2, 100))], axis=1)
    payload, size = first_pack(_samples([(1, 0, values)]))
    assert size == SAMPLES_A_PACK
    assert len(payload) <= BYTES_A_PACK


def test_a_pack_ends_before_a_reboot():
    samples = _samples([(1, 10, [ROW] * 5), (2, 0, [ROW] * 5)])
    payload, size = first_pack(samples)
    assert size == 5
    assert {sample.bid for sample in _decoded(payload).samples} == {1}


def test_a_pack_ends_before_a_step_of_the_clock_either_way():
    for step_ms in (3_600_000, -30_000):
        before = _samples([(1, 0, [ROW] * 5)])
        after = _samples([(1, 0, [ROW] * 10)], error_ms=step_ms)[5:]
        assert first_pack(before + after)[1] == 5


def test_a_pack_ends_where_numbers_are_gone():
    samples = _samples([(1, 0, [ROW] * 10)])
    assert first_pack(samples[:4] + samples[6:])[1] == 4


def test_a_pack_ends_where_a_boolean_stops_or_begins_to_be_measured():
    quiet = [2.0, 12.5, 1.0, np.nan]
    assert first_pack(_samples([(1, 0, [ROW] * 3 + [quiet] * 3)]))[1] == 3
    assert first_pack(_samples([(1, 0, [quiet] * 3 + [ROW] * 3)]))[1] == 3


def test_without_a_clock_times_travel_relative_to_the_moment_of_sending():
    samples = _samples([(1, 0, [ROW] * 5)], tq=0)
    payload, size = first_pack(samples, up_now_ms=600_000)
    waited_s = 40
    pack = _decoded(payload, received_ms=START_MS + 640_000, expiry_left_s=604_800 - waited_s)
    assert (size, pack.relative) == (5, True)
    assert [sample.t_ms for sample in pack.samples] == [START_MS + 60_000 * k for k in range(5)]
    assert {sample.tq for sample in pack.samples} == {0}
    assert [sample.up_s for sample in pack.samples] == [60.0 * k for k in range(5)]


def test_samples_from_before_the_clock_was_set_get_their_time_once_it_is():
    records = _records([(1, 0, [ROW] * 3)], tq=0)
    dated = samples_of(UNIT, CHANNELS, records, boot_began=lambda bid: START_MS if bid == 1 else None)
    assert [(sample.t_ms, sample.tq) for sample in dated] == [(START_MS + 60_000 * k, 1) for k in range(3)]
