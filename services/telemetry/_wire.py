"""Bytes to lists of maps and back, for sensor measurement lists (RFC 8428, sections 5 and 6).

Maps are under the integer labels of RFC 8428 table 4, whatever form they travelled in.
Nothing here raises on bytes from outside.
"""

import base64
import binascii
import io
import math
import zlib
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, Final, NoReturn

import cbor2
import orjson

from services.telemetry._samples import Rejected

BVER, BN, BT, BU, BV, BS = -1, -2, -3, -4, -5, -6
N, U, V, VS, VB, S, T, UT, VD = range(9)
LABELS: Final[dict[str, int]] = {
    "bver": BVER,
    "bn": BN,
    "bt": BT,
    "bu": BU,
    "bv": BV,
    "bs": BS,
    "n": N,
    "u": U,
    "v": V,
    "vs": VS,
    "vb": VB,
    "s": S,
    "t": T,
    "ut": UT,
    "vd": VD,
}
"""JSON label to CBOR label [RFC 8428, section 6, table 4]."""

MAX_BYTES = 65_536
"""Largest payload taken off the wire."""
MAX_INFLATED_BYTES = 262_144
"""Most that a compressed payload may grow to."""
MAX_DEPTH = 8

_NAMES_OF_LABELS: Final = {number: name for name, number in LABELS.items()}
_JSON_FIRST: Final = frozenset(b"[ \t\r\n")
_CBOR_FIRST: Final = range(0x80, 0x9C)
_GZIP_FIRST, _ZLIB_FIRST = 0x1F, 0x78
_TAGS_OF_THE_DECODER: Final = (
    *(0, 1, 2, 3, 5, 25, 28, 29, 30, 35, 36, 37, 100),
    *(256, 258, 260, 261, 1004, 43000),
)

Fields = Mapping[int | str, Any]
"""One record as it travels, under integer labels; labels unknown to the standard stay texts."""


def _refuse_tag(*_: object) -> NoReturn:
    raise ValueError("tag not used here")


def _decimal_fraction(parts: Sequence[object], _immutable: object) -> float:
    """Return the float nearest to mantissa times ten to the exponent [RFC 8949, section 3.4.4].

    Both numbers of the division are exact in a double, so its result is the nearest one;
    what does not fit goes the long way.
    """
    exponent, mantissa = parts
    if type(exponent) is not int or type(mantissa) is not int:
        raise ValueError("a decimal fraction is two integers")
    if -_EXACT_POWERS < exponent <= 0 and -_EXACT_INTEGER < mantissa < _EXACT_INTEGER:
        return mantissa / _TENS[-exponent]
    if abs(exponent) > _LARGEST_EXPONENT:
        return math.inf if exponent > 0 and mantissa else 0.0
    return float(Decimal(mantissa).scaleb(exponent))


_EXACT_INTEGER = 2**53
_EXACT_POWERS = 23
_LARGEST_EXPONENT = 400
_TENS: Final = tuple(10.0**power for power in range(_EXACT_POWERS))

_SEMANTICS: Final[dict[int, Any]] = {
    **dict.fromkeys(_TAGS_OF_THE_DECODER, _refuse_tag),
    4: _decimal_fraction,
}
"""Only decimal fractions (tag 4) have a place in a pack [RFC 8428, section 6]; the rest only costs."""


def _inflated(payload: bytes) -> bytes | Rejected:
    machine = zlib.decompressobj(wbits=47)  # 32 + 15: zlib or gzip, by the header
    try:
        plain = machine.decompress(payload, MAX_INFLATED_BYTES + 1)
    except zlib.error as error:
        return Rejected("undecodable", f"not inflatable: {error}")
    if len(plain) > MAX_INFLATED_BYTES:
        return Rejected("too_large", f"grows beyond {MAX_INFLATED_BYTES} bytes")
    if not machine.eof or machine.unused_data:
        return Rejected("undecodable", "compressed data is cut short or followed by something else")
    return plain


def _from_json(payload: bytes) -> object:
    pack = orjson.loads(payload)
    if type(pack) is not list:
        return pack
    return [_from_json_labels(entry) if type(entry) is dict else entry for entry in pack]


def _from_json_labels(entry: dict[str, Any]) -> dict[int | str, Any]:
    fields: dict[int | str, Any] = {LABELS.get(label, label): value for label, value in entry.items()}
    if VD in fields:
        fields[VD] = _from_base64url(fields[VD])
    return fields


def _from_base64url(text: object) -> bytes | None:
    """Return the octets of a data value, which travels without padding [RFC 8428, section 5]."""
    if type(text) is not str:
        return None
    try:
        return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    except (binascii.Error, ValueError):
        return None


def _from_cbor(payload: bytes) -> object:
    source = io.BytesIO(payload)
    pack: object = cbor2.CBORDecoder(source, semantic_decoders=_SEMANTICS, max_depth=MAX_DEPTH).decode()
    if source.read(1):
        raise ValueError("something follows the array")
    return pack


def maps_of(payload: bytes) -> list[object] | Rejected:
    """Return the entries of a pack as they travelled, or why the bytes cannot be read.

    JSON, CBOR and either of them compressed are told apart by the first byte.
    """
    if len(payload) > MAX_BYTES:
        return Rejected("too_large", f"{len(payload)} bytes, at most {MAX_BYTES} are taken")
    if payload[:1] and payload[0] in (_GZIP_FIRST, _ZLIB_FIRST):
        plain = _inflated(payload)
        if isinstance(plain, Rejected):
            return plain
        payload = plain
    first = payload[0] if payload else None
    try:
        if first in _CBOR_FIRST:
            pack = _from_cbor(payload)
        elif first in _JSON_FIRST:
            pack = _from_json(payload)
        else:
            return Rejected("undecodable", "neither a JSON nor a CBOR array of known length")
    except (cbor2.CBORError, ValueError, ArithmeticError, TypeError, RecursionError, MemoryError) as error:
        form = "CBOR" if first in _CBOR_FIRST else "JSON"
        return Rejected("undecodable", f"broken {form}: {str(error)[:120]}")
    return pack if type(pack) is list else Rejected("undecodable", "not an array of records")


def _encode_shortest_float(encoder: cbor2.CBOREncoder, value: float) -> None:
    encoder.write(cbor2.dumps(value, canonical=True))


_SHORTEST_FLOATS: Final[dict[type, Any]] = {float: _encode_shortest_float}


def encode_cbor(pack: Sequence[Fields]) -> bytes:
    """Return a pack in CBOR; floats in their shortest exact form, `Decimal` as tag 4."""
    return cbor2.dumps(pack, encoders=_SHORTEST_FLOATS)


def _json_value(label: int | str, value: object) -> object:
    if isinstance(value, Decimal):
        return float(value)
    if label == VD and isinstance(value, bytes):
        return base64.urlsafe_b64encode(value).rstrip(b"=").decode("ascii")
    return value


def encode_json(pack: Sequence[Fields]) -> bytes:
    """Return a pack in JSON, data values in base64url without padding."""
    return orjson.dumps(
        [
            {
                _NAMES_OF_LABELS.get(label, label) if isinstance(label, int) else label: _json_value(
                    label, value
                )
                for label, value in fields.items()
            }
            for fields in pack
        ]
    )
