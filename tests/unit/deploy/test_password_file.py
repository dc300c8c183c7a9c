import base64

from cryptography.hazmat.primitives.hashes import SHA512
from cryptography.hazmat.primitives.kdf.pbkdf2 import PBKDF2HMAC

from deploy import password_file


def test_a_line_is_what_the_standards_function_makes_of_secret_and_salt():
    """Against the primitive of another library; the real broker reads it in test_broker_security.py."""
    name, _, hashed = password_file.line("v3-meat", "right").strip().partition(":")
    _, form, rounds, salt, kept = hashed.split("$")
    assert (name, form, rounds) == ("v3-meat", "7", "101")
    raw_salt = base64.b64decode(salt)
    assert len(raw_salt) == 12
    PBKDF2HMAC(SHA512(), 64, raw_salt, 101).verify(b"right", base64.b64decode(kept))


def test_the_same_secret_twice_gives_two_hashes():
    assert password_file.line("a-1", "same") != password_file.line("a-1", "same")


def test_one_name_goes_and_those_that_begin_alike_stay():
    text = "".join(password_file.line(name, "x") for name in ("v3-meat", "v3-meat-2", "v3"))
    left = password_file.without(text, "v3-meat")
    assert password_file.names(left) == ("v3-meat-2", "v3")
    assert password_file.names(password_file.without(left, "none")) == ("v3-meat-2", "v3")
