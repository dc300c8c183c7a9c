import numpy as np

from firmware_sim.firmware.packing import BYTES_A_PACK, SAMPLES_A_PACK, first_pack, samples_of
from firmware_sim.firmware.ring import Ring, milli_or_missing
from services.telemetry.packs import decode_pack
from services.telemetry.topics import topic

UNIT, CHANNELS = "cart-meat", ("cabinet", "battery", "compressor")
START_MS = 1_760_000_000_000


def _samples(folder, stretches):
    ring = Ring(folder / "u.ring", channels=CHANNELS, capacity=1000)
    at_ms = START_MS
    for bid, sq, values in stretches:
        times = at_ms + 60_000 * np.arange(len(values), dtype=np.int64)
        at_ms = int(times[-1]) + 60_000
        ring.append(
            bid=bid, sq=sq, tq=2, t_ms=times, up_ms=times - START_MS, milli=milli_or_missing(np.array(values))
        )
    records = ring.read(0, 1000)
    ring.close()
    return samples_of(UNIT, CHANNELS, records)


def _decoded(payload):
    return decode_pack(topic(UNIT, "up/bulk"), payload, received_ms=START_MS, expiry_left_s=None)


def test_a_pack_comes_back_as_the_samples_that_went_in(tmp_path):
    values = [[2.0 + 0.1 * k, 12.61, float(k % 3 == 0)] for k in range(50)]
    samples = _samples(tmp_path, [(4, 7, values)])
    payload, size = first_pack(samples)
    pack = _decoded(payload)
    assert size == 50
    assert not pack.rejected
    assert list(pack.samples) == samples


def test_a_value_that_was_not_measured_is_left_out(tmp_path):
    (sample,) = _samples(tmp_path, [(1, 0, [[np.nan, 12.5, 1.0]])])
    assert dict(sample.values) == {"battery": 12.5, "compressor": True}
    assert list(_decoded(first_pack([sample])[0]).samples) == [sample]


def test_a_pack_ends_at_sixty_samples_and_within_sixteen_kibibytes(tmp_path):
    rng = np.random.default_rng(1)
    values = np.stack([rng.normal(3, 1, 100), rng.normal(12, 1, 100), rng.integers(0, 2, 100)], axis=1)
    payload, size = first_pack(_samples(tmp_path, [(1, 0, values)]))
    assert size == SAMPLES_A_PACK
    assert len(payload) <= BYTES_A_PACK


def test_a_pack_ends_before_a_reboot(tmp_path):
    rows = [[2.0, 12.5, 1.0]] * 5
    samples = _samples(tmp_path, [(1, 10, rows), (2, 0, rows)])
    payload, size = first_pack(samples)
    assert size == 5
    assert {sample.bid for sample in _decoded(payload).samples} == {1}
