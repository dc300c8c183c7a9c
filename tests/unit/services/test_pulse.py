import os
import threading

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
        assert (tmp_path / FOLDER / "ingest.json").stat().st_size == SIZE
        assert signs(tmp_path)["ingest"].said["text"] == text
    with pytest.raises(ValueError, match="too long"):
        pulse.beat(1, {"text": "z" * SIZE})


def test_nothing_is_made_up_from_a_file_that_is_no_sign(tmp_path):
    assert signs(tmp_path) == {}
    (tmp_path / FOLDER).mkdir()
    for number, text in enumerate(("", " " * SIZE, "[1]", '{"said": 1}', '{"beat_ms": "x"}', "\0" * SIZE)):
        (tmp_path / FOLDER / f"part{number}.json").write_text(text)
    assert signs(tmp_path) == {}


def test_a_reader_beside_a_busy_writer_always_sees_a_whole_sign(tmp_path):
    pulse = Pulse(tmp_path, "ingest")
    pulse.beat(0, {"low": 0, "high": 0})
    stop = threading.Event()

    def write():
        number = 0
        while not stop.is_set():
            number += 1
            pulse.beat(number, {"low": number, "fill": "x" * (number % 5000), "high": number})

    writer = threading.Thread(target=write)
    writer.start()
    try:
        seen = [signs(tmp_path).get("ingest") for _ in range(2000)]
    finally:
        stop.set()
        writer.join(10)
    whole = [sign for sign in seen if sign is not None]
    assert all(sign.said["low"] == sign.said["high"] == sign.beat_ms for sign in whole)
    assert len(whole) >= 1990
