"""Records of the ring as packs on the air."""

from firmware_sim.firmware.ring import Records, is_measured
from services.telemetry import CHANNELS, Sample, Value
from services.telemetry.packs import encode_pack

SAMPLES_A_PACK = 60
BYTES_A_PACK = 16 * 1024


def _value(channel: str, milli: int) -> Value:
    return milli != 0 if CHANNELS[channel].kind == "boolean" else milli / 1000.0


def samples_of(unit: str, channels: tuple[str, ...], records: Records) -> list[Sample]:
    """Return kept records as samples; what was not measured is absent."""
    rows = zip(
        *(records[name].tolist() for name in ("bid", "sq", "t_ms", "tq", "up_ms", "milli")), strict=True
    )
    return [
        Sample(
            unit=unit,
            bid=bid,
            sq=sq,
            t_ms=t_ms,
            tq=tq,
            values={
                name: _value(name, milli)
                for name, milli in zip(channels, kept, strict=True)
                if is_measured(milli)
            },
            up_s=up_ms / 1000.0,
        )
        for bid, sq, t_ms, tq, up_ms, kept in rows
    ]


def _belongs(before: Sample, after: Sample) -> bool:
    """Tell whether a sample may follow another in one pack: same boot and clock, next number, later time."""
    return (
        after.bid == before.bid
        and after.sq == before.sq + 1
        and after.tq == before.tq
        and after.t_ms > before.t_ms
    )


def first_pack(samples: list[Sample]) -> tuple[bytes, int]:
    """Return the pack that begins with the first sample, and how many samples went into it."""
    size = 1
    while size < min(len(samples), SAMPLES_A_PACK) and _belongs(samples[size - 1], samples[size]):
        size += 1
    while True:
        payload = encode_pack(samples[:size], deflate=size > 1)
        if len(payload) <= BYTES_A_PACK or size == 1:
            return payload, size
        size //= 2
