"""The audit chain as numbers: what of a record is hashed, and how each link holds the one before.

A record is taken apart into leaves (columns, and what lies inside a JSON column down to its lists). Each leaf
has a commitment: HMAC-SHA-256 of its value under a salt of its own, which comes from the record's one random
salt. The digest of a record is over table, number and commitments; the hash of a link is over its number, the
hash before and the digest. So a leaf can be taken out later, with its salt, and everything else still holds:
its commitment stays and tells nothing.
"""

import hashlib
import hmac
import json
import secrets
from collections.abc import Mapping
from typing import Any

VERSION = "bushlarder/chain/1"
START = "0" * 64
"""The hash before the first link."""
JSON_COLUMNS = frozenset({"arguments", "body", "phone", "value", "words"})
"""Columns that hold JSON; spaces and the order of keys are not part of what was said."""


def new_salt() -> str:
    """Return the salt of a record: 128 random bits, so that a name cannot be found by trying names."""
    return secrets.token_hex(16)


def canonical(value: object) -> bytes:
    """Return the one way in which a value is written where it is hashed."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return text.encode("utf-8", "surrogatepass")


def leaves_of(values: Mapping[str, object]) -> dict[str, object]:
    """Return the leaves of a record by their paths (JSON pointers, RFC 6901, without the first slash).

    Columns that are empty are left out, so that a column added later changes no digest.
    """
    found: dict[str, object] = {}
    for column, value in values.items():
        if value is not None:
            _walk(column, _parsed(column, value), found)
    return found


def _parsed(column: str, value: object) -> object:
    if column in JSON_COLUMNS and isinstance(value, str):
        try:
            return json.loads(value)
        except ValueError:
            return value
    return value


def _walk(path: str, value: object, found: dict[str, object]) -> None:
    if isinstance(value, dict) and value:
        for key, inner in value.items():
            _walk(f"{path}/{str(key).replace('~', '~0').replace('/', '~1')}", inner, found)
    else:
        found[path] = value


def with_leaf(values: dict[str, Any], path: str, leaf: object) -> None:
    """Put another leaf in the place of one of a record, in its JSON column too."""
    column, *inner = path.split("/")
    if not inner:
        values[column] = leaf
        return
    whole = json.loads(values[column])
    place = whole
    keys = [key.replace("~1", "/").replace("~0", "~") for key in inner]
    for key in keys[:-1]:
        place = place[key]
    place[keys[-1]] = leaf
    values[column] = json.dumps(whole)


def salt_of(record_salt: str, path: str) -> str:
    """Return the salt of one leaf."""
    return hmac.digest(bytes.fromhex(record_salt), path.encode(), "sha256").hex()


def commitment(leaf_salt: str, value: object) -> str:
    """Return what stands for a leaf."""
    return hmac.digest(bytes.fromhex(leaf_salt), canonical(value), "sha256").hex()


def commitments(record_salt: str, values: Mapping[str, object]) -> dict[str, str]:
    """Return what stands for each leaf of a record."""
    return {path: commitment(salt_of(record_salt, path), leaf) for path, leaf in leaves_of(values).items()}


def digest_of(table: str, row: int, stand_for: Mapping[str, str]) -> str:
    """Return the digest of a record from what stands for its leaves."""
    return hashlib.sha256(canonical([table, row, sorted(stand_for.items())])).hexdigest()


def link(no: int, before: str, digest: str) -> str:
    """Return the hash of a link."""
    return hashlib.sha256(f"{VERSION}\n{no}\n{before}\n{digest}".encode()).hexdigest()
