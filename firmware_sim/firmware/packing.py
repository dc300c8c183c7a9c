"""Records of the ring as packs on the air."""

from collections.abc import Callable

from firmware_sim.firmware.ring import Records, is_measured
from firmware_sim.firmware.timekeeping import HOLDOVER, STEP_OVER_MS, UNSET
from services.telemetry import CHANNELS, Sample, Value
from services.telemetry.packs import encode_pack

SAMPLES_A_PACK = 60
BYTES_A_PACK = 16 * 1024

_BOOLEANS = frozenset(name for name, channel in CHANNELS.items() if channel.kind == "boolean")


def _value(channel: str, milli: int) -> Value:
    return milli != 0 if channel in _BOOLEANS else milli / 1000.0


def samples_of(
    unit: str,
    channels: tuple[str, ...],
    records: Records,
    *,
    boot_began: Callable[[int], int | None] = lambda _bid: None,
) -> list[Sample]:
    """Return kept records as samples; what was not measured is absent.

    A sample taken before the clock was set gets its time when `boot_began` knows when its boot began
    [ms since 1970-01-01 UTC]; otherwise its time is its uptime, and clock quality stays 0.
    """
    rows = zip(
        *(records[name].tolist() for name in ("bid", "sq", "t_ms", "tq", "up_ms", "milli")), strict=True
    )
    samples = []
    for bid, sq, kept_ms, kept_tq, up_ms, kept in rows:
        t_ms, tq = kept_ms, kept_tq
        began_ms = boot_began(bid) if tq == UNSET else None
        if began_ms is not None:
            t_ms, tq = began_ms + up_ms, HOLDOVER
        values = {
            name: _value(name, milli)
            for name, milli in zip(channels, kept, strict=True)
            if is_measured(milli)
        }
        samples.append(
            Sample(unit=unit, bid=bid, sq=sq, t_ms=t_ms, tq=tq, values=values, up_s=up_ms / 1000.0)
        )
    return samples


def _belongs(before: Sample, after: Sample) -> bool:
    """Tell whether a sample may follow another in one pack.

    Same boot and clock quality, next number, later time, no step of the clock between them, and the same
    booleans measured: in a pack those are carried forward.
    """
    return (
        after.bid == before.bid
        and after.sq == before.sq + 1
        and after.tq == before.tq
        and after.t_ms > before.t_ms
        and abs(_boot_ms(after) - _boot_ms(before)) <= STEP_OVER_MS
        and _BOOLEANS & before.values.keys() == _BOOLEANS & after.values.keys()
    )


def _boot_ms(sample: Sample) -> float:
    return sample.t_ms - 1000.0 * (0.0 if sample.up_s is None else sample.up_s)


def first_pack(samples: list[Sample], *, up_now_ms: int = 0) -> tuple[bytes, int]:
    """Return the pack that begins with the first sample, and how many samples went into it.

    Without a set clock the times travel relative to now: `up_now_ms` is the present uptime on the scale of
    these samples. [ms]
    """
    size = 1
    while size < min(len(samples), SAMPLES_A_PACK) and _belongs(samples[size - 1], samples[size]):
        size += 1
    relative_to = max(up_now_ms, samples[size - 1].t_ms) if samples[0].tq == UNSET else None
    while True:
        payload = encode_pack(samples[:size], deflate=size > 1, now_ms=relative_to)
        if len(payload) <= BYTES_A_PACK or size == 1:
            return payload, size
        size //= 2
