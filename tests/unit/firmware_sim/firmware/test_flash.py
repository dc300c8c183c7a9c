import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_sim.firmware.flash import PAGE_BYTES, FileFlash, flipped, joined


@pytest.fixture
def flash(tmp_path):
    device = FileFlash(tmp_path / "u.flash", pages=4)
    yield device
    device.close()


def test_new_flash_reads_erased_and_takes_no_room_on_disk(flash, tmp_path):
    assert flash.read(0, 4 * PAGE_BYTES) == b"\xff" * (4 * PAGE_BYTES)
    assert (tmp_path / "u.flash").stat().st_blocks * 512 <= PAGE_BYTES


def test_programming_turns_ones_into_zeros_only(flash):
    flash.program(10, b"\x0f\xf0")
    flash.program(10, b"\x3c\x3c")
    assert flash.read(9, 4) == b"\xff\x0c\x30\xff"


def test_erasing_clears_one_page_and_no_other(flash):
    for page in range(4):
        flash.program(page * PAGE_BYTES + 7, b"\x00")
    flash.erase(2)
    assert [flash.read(page * PAGE_BYTES + 7, 1)[0] for page in range(4)] == [0, 0, 255, 0]


def test_what_was_programmed_outlives_the_program(tmp_path):
    first = FileFlash(tmp_path / "u.flash", pages=2)
    first.program(100, b"kept")
    first.close()
    second = FileFlash(tmp_path / "u.flash", pages=2)
    assert second.read(100, 4) == b"kept"
    second.close()


def test_a_file_of_another_size_is_refused(tmp_path):
    FileFlash(tmp_path / "u.flash", pages=2).close()
    with pytest.raises(ValueError, match="another size"):
        FileFlash(tmp_path / "u.flash", pages=3)


def test_a_spoilt_page_reads_otherwise_than_before(flash):
    flash.program(PAGE_BYTES, b"good")
    flash.spoil(1, seed="x")
    assert flash.read(PAGE_BYTES, 4) != b"good"
    assert flash.read(0, PAGE_BYTES) == b"\xff" * PAGE_BYTES


@given(st.binary(max_size=50), st.data())
def test_complement_and_union_work_byte_by_byte(data, more):
    other = more.draw(st.binary(min_size=len(data), max_size=len(data)))
    assert flipped(data) == bytes(b ^ 0xFF for b in data)
    assert joined(data, other) == bytes(a | b for a, b in zip(data, other, strict=True))
