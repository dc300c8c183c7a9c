"""What of a record is hashed: every leaf, under a salt of its own."""

import hashlib
import hmac

import pytest

from services.records.auditchain import (
    START,
    canonical,
    commitment,
    commitments,
    digest_of,
    leaves_of,
    link,
    new_salt,
    salt_of,
    with_leaf,
)

SALT = "00112233445566778899aabbccddeeff"


def test_a_record_is_taken_apart_down_to_the_lists_of_its_json():
    body = '{"who": {"name": "Zanele", "a/b~c": 1}, "parts": [1, 2], "none": null, "empty": {}}'
    assert leaves_of({"no": 3, "body": body, "key": None}) == {
        "no": 3,
        "body/who/name": "Zanele",
        "body/who/a~1b~0c": 1,
        "body/parts": [1, 2],
        "body/none": None,
        "body/empty": {},
    }


def test_a_column_that_is_empty_or_added_later_changes_nothing():
    assert leaves_of({"a": "x"}) == leaves_of({"a": "x", "later": None})
    assert leaves_of({"why": '{"not": "ours to read"}'}) == {"why": '{"not": "ours to read"}'}
    assert leaves_of({"body": "no JSON"}) == {"body": "no JSON"}


def test_spaces_and_the_order_of_keys_are_not_part_of_what_was_said():
    one, other = ({"body": body} for body in ('{"a":1,"b":[2]}', '{ "b" : [2], "a" : 1 }'))
    assert commitments(SALT, one) == commitments(SALT, other)
    assert commitments(SALT, one) != commitments(SALT, {"body": '{"a":1,"b":[3]}'})


def test_true_one_and_the_word_one_are_three_values():
    assert len({canonical(value) for value in (True, 1, "1", 1.0)}) == 4


def test_the_numbers_are_the_documented_ones_and_so_stay_the_same():
    leaf_salt = hmac.new(bytes.fromhex(SALT), b"body/note", hashlib.sha256).hexdigest()
    stands = hmac.new(bytes.fromhex(leaf_salt), '"warm café"'.encode(), hashlib.sha256).hexdigest()
    assert salt_of(SALT, "body/note") == leaf_salt
    assert commitments(SALT, {"body": '{"note": "warm caf\\u00e9"}'}) == {"body/note": stands}
    written = f'["statements",7,[["body/note","{stands}"]]]'
    digest = hashlib.sha256(written.encode()).hexdigest()
    assert digest_of("statements", 7, {"body/note": stands}) == digest
    whole = f"bushlarder/chain/1\n1\n{'0' * 64}\n{digest}"
    assert link(1, START, digest) == hashlib.sha256(whole.encode()).hexdigest()


@pytest.mark.parametrize("other", [("batches", 7), ("statements", 8)])
def test_a_record_put_elsewhere_has_another_digest(other):
    assert digest_of(*other, {"a": "b"}) != digest_of("statements", 7, {"a": "b"})


def test_no_two_records_share_a_salt_and_no_two_leaves():
    assert new_salt() != new_salt()
    assert len(new_salt()) == 32
    assert salt_of(SALT, "a") != salt_of(SALT, "b")
    assert commitment(salt_of(SALT, "a"), "x") != commitment(salt_of(SALT, "b"), "x")


def test_one_leaf_is_replaced_and_nothing_else():
    values = {"who": "Zanele", "body": '{"a/b": {"x": "Zanele", "y": 1}}', "n": 3}
    with_leaf(values, "who", "-")
    with_leaf(values, "body/a~1b/x", "-")
    assert leaves_of(values) == {"who": "-", "body/a~1b/x": "-", "body/a~1b/y": 1, "n": 3}
