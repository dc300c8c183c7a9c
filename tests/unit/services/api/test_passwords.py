import threading
import time

import pytest
from pwdlib.hashers.argon2 import Argon2Hasher

from services.api import passwords
from services.api.passwords import Busy, Passwords, require_fit
from services.errors import Refused

CHEAP = Argon2Hasher(time_cost=1, memory_cost=8, parallelism=1)
KETTLES = "seven copper kettles"


def test_what_is_kept_is_argon2id_with_the_costs_it_was_made_with():
    kept = Passwords().hash(KETTLES)
    assert kept.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert Passwords().fits(KETTLES, kept)


def test_only_the_password_itself_fits():
    house = Passwords(CHEAP)
    kept = house.hash(KETTLES)
    assert house.fits(KETTLES, kept)
    assert not house.fits(KETTLES + " ", kept)
    assert not house.fits("", kept)
    assert not house.fits(KETTLES, None)
    assert not house.fits("nobody has this password", None)
    assert not house.fits("x" * 100_000, kept)


def test_two_are_worked_out_at_once_and_no_more(monkeypatch):
    house = Passwords(CHEAP)
    inside, most = 0, 0
    lock = threading.Lock()

    def slow(_password):
        nonlocal inside, most
        with lock:
            inside += 1
            most = max(most, inside)
        time.sleep(0.05)
        with lock:
            inside -= 1
        return "$argon2id$"

    monkeypatch.setattr(house._hash, "hash", slow)
    threads = [threading.Thread(target=house.hash, args=(KETTLES,)) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(10)
    assert most == passwords.AT_ONCE
    assert inside == 0


def test_whoever_waits_too_long_for_a_turn_is_told(monkeypatch):
    monkeypatch.setattr(passwords, "PATIENCE_S", 0.01)
    house = Passwords(CHEAP)
    with house._turn(), house._turn(), pytest.raises(Busy):
        house.hash(KETTLES)


@pytest.mark.parametrize("password", [KETTLES, "Läufer im Sand 7", "0x9f-quiver"])
def test_words_that_nobody_guesses_are_taken(password):
    require_fit(password, name="Ada B.")


@pytest.mark.parametrize(
    ("password", "word"),
    [
        ("kettles", "10 to 200"),
        ("k" * 201, "10 to 200"),
        ("Password2026", "first to be guessed"),
        ("28011990281", "first to be guessed"),
        ("abababababab", "first to be guessed"),
        ("bushlarder12", "first to be guessed"),
        ("ada b. 12345", "does not hold the name"),
    ],
)
def test_what_is_guessed_first_is_refused_with_the_reason(password, word):
    with pytest.raises(Refused, match=word):
        require_fit(password, name="Ada B.")
