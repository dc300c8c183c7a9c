"""Samples to packs, as a unit sends them."""

import zlib
from collections.abc import Sequence
from decimal import Decimal
from typing import Literal

from services.telemetry._channels import CHANNELS
from services.telemetry._samples import Sample, Value, milli_of
from services.telemetry._wire import BN, BT, BU, VB, VS, Fields, N, T, U, V, encode_cbor, encode_json


def encode_pack(
    samples: Sequence[Sample],
    *,
    form: Literal["cbor", "json"] = "cbor",
    deflate: bool = False,
    now_ms: int | None = None,
) -> bytes:
    """Return consecutive samples of one unit and boot as a unit sends them.

    Parameters
    ----------
    samples : sequence of Sample
        One unit and `bid`, `sq` without a hole, times strictly increasing, one clock quality.
    form : "cbor" or "json"
        CBOR is half the size uncompressed.
    deflate : bool
        Compress with zlib; pays from a few samples on.
    now_ms : int or None
        Give it when the clock is not set: times then travel relative to it. [ms]

    Raises
    ------
    ValueError
        If the samples do not form one pack, or a boolean stops being measured within it.
    """
    _check_one_pack(samples)
    pack = _header(samples, now_ms)
    origin_ms = samples[0].t_ms if now_ms is None else now_ms
    offsets = [_milli_number(sample.t_ms - origin_ms) for sample in samples]
    pack += _grouped(samples, offsets) if len(samples) > 1 else _flat(samples[0], offsets[0])
    plain = encode_cbor(pack) if form == "cbor" else encode_json(pack)
    return zlib.compress(plain, 9) if deflate else plain


def _check_one_pack(samples: Sequence[Sample]) -> None:
    if not samples:
        raise ValueError("a pack holds at least one sample")
    first = samples[0]
    for k, sample in enumerate(samples):
        if (sample.unit, sample.bid, sample.sq, sample.tq) != (first.unit, first.bid, first.sq + k, first.tq):
            raise ValueError("a pack holds consecutive samples of one unit, boot and clock quality")
        if k and sample.t_ms <= samples[k - 1].t_ms:
            raise ValueError("times in a pack increase strictly")


def _milli_number(milli: int) -> int | Decimal:
    """Return milli-units as the shortest exact number: an integer, or a decimal fraction."""
    if milli % 1000 == 0:
        return milli // 1000
    exponent = -3
    while milli % 10 == 0:
        milli, exponent = milli // 10, exponent + 1
    return Decimal(milli).scaleb(exponent)


def _header(samples: Sequence[Sample], now_ms: int | None) -> list[Fields]:
    first = samples[0]
    base: dict[int | str, object] = {BN: first.unit + "/"}
    if now_ms is None:
        base[BT] = _milli_number(first.t_ms)
    head: list[Fields] = [{**base, N: "sq", V: first.sq}, {N: "bid", V: first.bid}]
    if first.up_s is not None:
        head.append({N: "up", V: _milli_number(milli_of(first.up_s))})
    return [*head, {N: "tq", V: first.tq}]


def _at(offset: int | Decimal) -> dict[int | str, object]:
    return {T: offset} if offset else {}


def _enumerator(sample: Sample) -> Fields:
    running = sample.values.get("compressor")
    return {N: "tick", VB: True} if running is None else {N: "compressor", VB: running}


def _encoded(value: Value) -> dict[int | str, object]:
    if isinstance(value, bool):
        return {VB: value}
    return {VS: value} if isinstance(value, str) else {V: _milli_number(milli_of(value))}


def _flat(sample: Sample, offset: int | Decimal) -> list[Fields]:
    """Return the records of a single sample: shortest with names and units in place."""
    when = _at(offset)
    pack: list[Fields] = [{**_enumerator(sample), **when}]
    for channel, value in sample.values.items():
        if channel != "compressor":
            spec = CHANNELS.get(channel)
            unit: dict[int | str, object] = {} if spec is None or spec.unit is None else {U: spec.unit}
            pack.append({N: channel, **unit, **_encoded(value), **when})
    return pack


def _grouped(samples: Sequence[Sample], offsets: Sequence[int | Decimal]) -> list[Fields]:
    """Return records by channel, booleans first, then what has no unit, so that no unit leaks on to them."""
    unit = samples[0].unit
    pack: list[Fields] = [
        {**_enumerator(sample), **_at(offset)} for sample, offset in zip(samples, offsets, strict=True)
    ]
    channels = dict.fromkeys(name for sample in samples for name in sample.values if name != "compressor")
    booleans = [name for name in channels if _is_boolean(samples, name)]
    for name in booleans:
        pack += _on_change(samples, offsets, name)
    plain = [name for name in channels if name not in booleans]
    for name in sorted(plain, key=_has_unit):
        group: dict[int | str, object] = {BN: f"{unit}/{name}"}
        if _has_unit(name):
            group[BU] = CHANNELS[name].unit
        for sample, offset in zip(samples, offsets, strict=True):
            if name in sample.values:
                pack.append({**group, **_encoded(sample.values[name]), **_at(offset)})
                group = {}
    return pack


def _has_unit(channel: str) -> bool:
    return channel in CHANNELS and CHANNELS[channel].unit is not None


def _is_boolean(samples: Sequence[Sample], channel: str) -> bool:
    return any(isinstance(sample.values.get(channel), bool) for sample in samples)


def _on_change(samples: Sequence[Sample], offsets: Sequence[int | Decimal], channel: str) -> list[Fields]:
    held: Value | None = None
    records: list[Fields] = []
    for sample, offset in zip(samples, offsets, strict=True):
        value = sample.values.get(channel)
        if value is None and held is not None:
            raise ValueError(f"{channel} stops being measured within the pack; end the pack before")
        if value is not None and value is not held:
            records.append({N: channel, **_encoded(value), **_at(offset)})
            held = value
    return records
