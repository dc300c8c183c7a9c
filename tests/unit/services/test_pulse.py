import os
import threading
import time
import zlib

import pytest

from services.pulse import FOLDER, SIZE, Pulse, Sign, signs


def test_the_newest_sign_of_every_process_is_read(tmp_path):
    ingest, monitor = Pulse(tmp_path, "ingest"), Pulse(tmp_path, "monitor")
    ingest.beat(5, {"queue": 3, "trouble": None})
    ingest.beat(9, {"queue": 4, "trouble": "The disk is full."})
    monitor.beat(7)
    found = signs(tmp_path)
    assert found["ingest"] == Sign(
        "ingest", 9, {"queue": 4, "trouble": "The disk is full.", "pid": os.getpid()}
    )
    assert found["ingest"].trouble == "The disk is full."
    assert (found["monitor"].beat_ms, found["monitor"].trouble) == (7, None)


def test_a_sign_never_grows_its_file(tmp_path):
    pulse = Pulse(tmp_path, "ingest")
    for text in ("x" * 4000, "", "y"):
        pulse.beat(1, {"text": text})
        assert (tmp_path / FOLDER / "ingest.sign").stat().st_size == SIZE
        assert signs(tmp_path)["ingest"].said["text"] == text
    with pytest.raises(ValueError, match="too long"):
        pulse.beat(1, {"text": "z" * SIZE})


def test_nothing_is_made_up_from_a_file_that_is_no_sign(tmp_path):
    assert signs(tmp_path) == {}
    (tmp_path / FOLDER).mkdir()
    for number, text in enumerate(("", " " * SIZE, "[1]", '{"said": 1}', '{"beat_ms": "x"}', "\0" * SIZE)):
        (tmp_path / FOLDER / f"bare{number}.sign").write_text(text)
        (tmp_path / FOLDER / f"summed{number}.sign").write_text(f"{zlib.crc32(text.encode()):08x} {text}")
    assert signs(tmp_path) == {}


def test_two_halves_of_different_signs_are_none(tmp_path):
    pulse, file = Pulse(tmp_path, "ingest"), tmp_path / FOLDER / "ingest.sign"
    pulse.beat(1, {"low": 1, "fill": "x" * 4500, "high": 1})
    earlier = file.read_bytes()
    pulse.beat(2, {"low": 2, "fill": "x" * 4500, "high": 2})
    later = file.read_bytes()
    pulse.close()
    file.write_bytes(later[:4096] + earlier[4096:])
    assert signs(tmp_path) == {}
    file.write_bytes(later)
    assert signs(tmp_path)["ingest"].said["high"] == 2


def test_a_reader_beside_a_busy_writer_always_sees_a_whole_sign(tmp_path):
    pulse = Pulse(tmp_path, "ingest")
    pulse.beat(0, {"low": 0, "high": 0})
    stop = threading.Event()

    def write():
        number = 0
        while not stop.is_set():
            number += 1
            pulse.beat(number, {"low": number, "fill": "x" * (number % 5000), "high": number})
            time.sleep(0.0002)  # thousands of times as often as a process gives a sign

    writer = threading.Thread(target=write)
    writer.start()
    try:
        seen = [signs(tmp_path).get("ingest") for _ in range(2000)]
    finally:
        stop.set()
        writer.join(10)
    pulse.close()
    whole = [sign for sign in seen if sign is not None]
    assert all(sign.said["low"] == sign.said["high"] == sign.beat_ms for sign in whole)
    assert len(whole) == 2000
