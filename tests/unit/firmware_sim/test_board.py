import numpy as np
import pytest

from firmware_sim.board import Board
from firmware_sim.firmware.build import Build
from firmware_sim.firmware.flash import FileFlash
from firmware_sim.firmware.unit import Firmware
from firmware_sim.firmware.way import Away
from firmware_sim.history import Block

START_MS = 1_760_000_040_000
BUILD = Build("cart-meat", ("cabinet", "compressor"), 60, 30, 0, 2.0, 12.5, ring_samples=2000)
STEPS, UNITS, MINE = 240, 3, 1


@pytest.fixture
def make(tmp_path):
    made = []

    def _make(*, fresh=True, away=()):
        flash = FileFlash(tmp_path / "u.flash", pages=BUILD.flash_pages)
        firmware = Firmware(BUILD, flash, boot_ms=START_MS)
        made.append(firmware)
        return Board(MINE, firmware, flash, away=tuple(away), fresh=fresh)

    yield _make
    for firmware in made:
        firmware.close()


def _block(number=0, *, alive=None, locked=None, **faults):
    t_ms = START_MS + 30_000 * (number * STEPS + np.arange(1, STEPS + 1, dtype=np.int64))
    true = {
        "alive": np.ones((STEPS, UNITS), dtype=bool) if alive is None else alive,
        "locked": np.zeros((STEPS, UNITS), dtype=bool) if locked is None else locked,
        "failed_starts": np.zeros((STEPS, UNITS), dtype=np.int64),
    }
    moved = {name: np.array([0.0, value, 0.0]) for name, value in faults.items()}
    return Block(t_ms, true, {}, moved)


def _live(board, block, *, reads=MINE):
    readings = {
        "cabinet": np.tile([10.0, 20.0, 30.0], (STEPS, 1)),
        "compressor": np.zeros((STEPS, UNITS)),
    }
    board.live(block, readings, reads)


def _records(board):
    return board.firmware.ring.read(0, 10**6)


def _kinds(board):
    return [event.kind for _, event in board.firmware.events.waiting(100)]


def test_a_board_measures_its_own_cabinet_on_the_network_s_time(make):
    board = make()
    _live(board, _block())
    records = _records(board)
    assert len(records) == 120
    assert set(records["milli"][:, 0].tolist()) == {20_000}
    assert set(records["tq"].tolist()) == {2}


def test_an_exchanged_board_boots_and_measures_the_other_cabinet(make):
    board = make()
    _live(board, _block())
    _live(board, _block(1), reads=2)
    records = _records(board)
    assert [int(value) for value in np.unique(records["bid"])] == [1, 2]
    assert set(records["milli"][records["bid"] == 2][:, 0].tolist()) == {30_000}


def test_a_clock_that_falls_out_boots_the_unit_without_a_time_for_a_while(make):
    board = make()
    _live(board, _block())
    _live(board, _block(1, clock_resets=1.0))
    _live(board, _block(2, clock_resets=1.0))
    records = _records(board)
    second = records[records["bid"] == 2]
    assert second["tq"][:4].tolist() == [0, 0, 2, 2]
    assert len(second) == 240
    assert int(records["bid"].max()) == 2


def test_a_bad_page_is_noticed_and_told_once(make):
    board = make()
    for number in range(8):
        _live(board, _block(number))
    _live(board, _block(8, flash_corruptions=1.0))
    _live(board, _block(9, flash_corruptions=1.0))
    assert _kinds(board).count("memory_bad") == 1
    assert len(_records(board)) < 1200


def test_faults_of_before_do_not_strike_again_after_a_restart(make):
    board = make(fresh=False)
    _live(board, _block(clock_resets=1.0, flash_corruptions=1.0))
    assert board.firmware.bid == 1
    assert "memory_bad" not in _kinds(board)


def test_out_of_coverage_no_network_tells_the_time(make):
    board = make(away=[Away(START_MS, START_MS + 3_600_000)])
    _live(board, _block())
    assert _records(board)["tq"].tolist() == [1] * 59 + [2] * 61


def test_a_wrong_network_time_steps_the_clock(make):
    board = make()
    _live(board, _block())
    _live(board, _block(1, clock_step_s=3600.0))
    assert _kinds(board).count("clock_step") == 1
    assert int(np.diff(_records(board)["t_ms"]).max()) == 3_660_000


def test_electronics_that_go_out_with_the_battery_leave_a_hole_and_boot_again(make):
    board = make()
    alive = np.ones((STEPS, UNITS), dtype=bool)
    alive[100:180, MINE] = False
    alive[:, 0] = False
    _live(board, _block(alive=alive))
    records = _records(board)
    assert len(records) == 80
    assert np.unique(records["bid"]).tolist() == [1, 2]


def test_cut_outs_of_its_own_cabinet_become_events(make):
    board = make()
    locked = np.zeros((STEPS, UNITS), dtype=bool)
    locked[50:90, MINE] = True
    locked[10:20, 0] = True
    _live(board, _block(locked=locked))
    assert _kinds(board) == ["boot", "cut_out", "restart"]


def test_how_bad_the_way_is_follows_the_faults(make):
    board = make()
    assert not board.air(_block()).out
    air = board.air(_block(radio_out=1.0, duplicate_share=0.3, reorder_share=0.2))
    assert (air.out, air.duplicate_share, air.reorder_share) == (True, 0.3, 0.2)
