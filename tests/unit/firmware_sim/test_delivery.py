from dataclasses import replace

import numpy as np
import pytest

from firmware_sim.board import Board
from firmware_sim.delivery import LATENCY_MS, Link, Links, Spell, delivered
from firmware_sim.faults import NEVER_MS
from firmware_sim.firmware.build import Build
from firmware_sim.firmware.flash import FileFlash
from firmware_sim.firmware.packing import samples_of
from firmware_sim.firmware.unit import Firmware
from firmware_sim.firmware.way import Away
from firmware_sim.history import Block
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.model import Fault
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS
from tests.helpers.small_fleet import write_small_fleet

START_MS = 20_000 * DAY_MS
N = 2 * 1440
T_MS = START_MS + MINUTE_MS * np.arange(N, dtype=np.int64)
VALUES = np.stack([np.arange(N, dtype=float), np.zeros(N)], axis=1)


def spell(kind, begin_h, end_h=None, amount=0.0):
    ends = NEVER_MS if end_h is None else START_MS + round(end_h * HOUR_MS)
    return Spell(kind, kind, START_MS + round(begin_h * HOUR_MS), ends, amount)


def link(**more):
    return replace(Link("cart-meat", seed=3, interval_s=60, until_ms=int(T_MS[-1])), **more)


def arrived(times=T_MS, **more):
    values = VALUES[: times.size]
    return delivered(times, values, link(**more))


def mishap(found, kind):
    return next(one for one in found.told["mishaps"] if one["kind"] == kind)


def test_a_sound_link_gives_every_sample_once_in_order_a_moment_late():
    found = arrived()
    assert not link().disturbed
    assert (found.t_ms == T_MS).all()
    assert (found.received_ms == T_MS + LATENCY_MS).all()
    assert (found.sq == np.arange(N)).all()
    assert set(found.tq) == {2}
    assert found.told == {"measured": N, "received": N, "lost": 0, "still_held": 0, "mishaps": []}


def test_an_outage_delays_and_the_newest_comes_first_and_then_again_in_its_turn():
    found = arrived(outages=(spell("radio_outage", 5, 20),))
    held = (found.t_ms >= START_MS + 5 * HOUR_MS) & (found.t_ms < START_MS + 20 * HOUR_MS)
    assert found.received_ms[held].min() == START_MS + 20 * HOUR_MS + LATENCY_MS - 1
    first = int(np.flatnonzero(held)[0])
    assert found.t_ms[first] == START_MS + 20 * HOUR_MS - MINUTE_MS
    assert (np.diff(found.t_ms[first + 1 : first + 901]) == MINUTE_MS).all()
    assert held.sum() == 15 * 60 + 1
    assert mishap(found, "radio_outage") | {"held": 900, "lost": 0} == mishap(found, "radio_outage")
    assert (np.diff(found.received_ms) >= 0).all()


def test_what_coverage_never_came_back_for_is_not_there():
    found = arrived(outages=(spell("radio_outage", 40),))
    assert found.t_ms.max() < START_MS + 40 * HOUR_MS
    assert found.told["still_held"] == 8 * 60
    assert mishap(found, "radio_outage")["to"] is None


def test_an_outage_longer_than_the_memory_loses_the_oldest_pages_whole():
    found = arrived(outages=(spell("radio_outage", 5, 40),), slots=50, pages=11)
    lost = mishap(found, "radio_outage")["lost"]
    assert found.told["lost"] == lost == 35 * 60 - 550
    gone = np.setdiff1d(T_MS, found.t_ms)
    assert gone[0] == START_MS + 5 * HOUR_MS
    assert (np.diff(gone) == MINUTE_MS).all()


def test_a_page_that_goes_bad_costs_what_was_not_confirmed_and_nothing_else():
    bad = (spell("flash_corruption", 12, 12),)
    assert arrived(spoilt=bad).told["lost"] == 0
    found = arrived(spoilt=bad, outages=(spell("radio_outage", 5, 20),))
    assert found.told["lost"] == mishap(found, "flash_corruption")["lost"] == 92
    assert np.unique(found.sq).size == N - 92


def test_doubled_packs_repeat_their_numbers_and_values():
    found = arrived(doubled=(spell("duplicated_delivery", 0, None, 0.3),))
    assert found.told["received"] / N == pytest.approx(1.3, abs=0.03)
    assert mishap(found, "duplicated_delivery")["doubled"] == found.told["received"] - N
    once, first = np.unique(found.sq, return_index=True)
    assert once.size == N
    assert (found.values[first, 0] == once).all()
    assert (found.values[:, 0] == found.sq).all()


def test_overtaken_packs_come_later_and_none_is_lost():
    found = arrived(overtaken=(spell("reordered_delivery", 0, 24, 0.5),))
    assert found.told["received"] == N
    assert (np.diff(found.received_ms) >= 0).all()
    back = np.diff(found.t_ms[: N // 2]) < 0
    assert 0.1 < back.mean() < 0.5
    assert (np.diff(found.t_ms[N // 2 + 5 :]) > 0).all()


def test_a_wrong_clock_dates_wrongly_from_the_moment_it_is_heard_until_it_is_right():
    found = arrived(steps=(spell("clock_reset", 10, 20, -5400.0),))
    off = found.t_ms - T_MS
    wrong = (T_MS >= START_MS + 10 * HOUR_MS) & (T_MS < START_MS + 20 * HOUR_MS)
    assert set(off[wrong]) == {-5_400_000}
    assert set(off[~wrong]) == {0}
    assert set(found.tq) == {2}
    assert mishap(found, "clock_reset") | {"wrongly_dated": 600, "clock_step_s": -5400} == mishap(
        found, "clock_reset"
    )


def test_a_lost_clock_is_unset_for_two_minutes_where_the_network_reaches():
    found = arrived(resets=(spell("clock_reset", 10, 10),))
    assert (found.t_ms == T_MS).all()
    assert np.flatnonzero(found.tq == 0).tolist() == [600, 601]
    assert found.bid[[599, 600]].tolist() == [1, 2]
    assert found.sq[600] == 0
    assert mishap(found, "clock_reset")["unset"] == 2


def test_held_samples_of_a_lost_clock_are_dated_once_the_network_is_back():
    found = arrived(resets=(spell("clock_reset", 10, 10),), outages=(spell("radio_outage", 9, 12),))
    assert (np.sort(np.unique(found.t_ms)) == T_MS).all()
    assert (found.tq == 0).sum() == 0
    assert mishap(found, "clock_reset")["unset"] == 120


def _with_a_pause():
    """Two days without the hours from 11 to 14, when the supply was away."""
    off = (T_MS >= START_MS + 11 * HOUR_MS) & (T_MS < START_MS + 14 * HOUR_MS)
    return T_MS[~off]


def test_with_a_clock_of_its_own_an_earlier_boot_is_dated_too():
    found = arrived(
        _with_a_pause(), resets=(spell("clock_reset", 10, 10),), outages=(spell("radio_outage", 9, 20),)
    )
    assert set(found.t_ms) == set(_with_a_pause().tolist())
    assert (found.tq > 0).all()
    assert found.bid.max() == 3


def test_without_one_an_earlier_boot_that_never_learnt_the_time_seems_younger_by_the_pause():
    times = _with_a_pause()
    found = arrived(times, outages=(spell("radio_outage", 9, 20),), backed_clock=False)
    unset = arrived(
        times,
        resets=(spell("clock_reset", 10, 10),),
        outages=(spell("radio_outage", 9, 20),),
        backed_clock=False,
    )
    assert (found.tq == 0).sum() == 0
    lost = unset.tq == 0
    assert set(unset.bid[lost]) == {2}
    true_ms = START_MS + 10 * HOUR_MS + MINUTE_MS * unset.sq[lost]
    assert set((unset.t_ms[lost] - true_ms).tolist()) == {3 * HOUR_MS}


def test_chance_goes_by_unit_and_seed_alone():
    doubled = (spell("duplicated_delivery", 0, None, 0.3),)
    again = [delivered(T_MS, VALUES, link(doubled=doubled, **more)) for more in ({}, {}, {"seed": 4})]
    assert again[0].sq.tolist() == again[1].sq.tolist()
    assert again[0].sq.tolist() != again[2].sq.tolist()


def test_of_nothing_nothing_arrives():
    none = np.empty(0, dtype=np.int64)
    assert delivered(none, np.empty((0, 2)), link()).t_ms.size == 0


def test_links_of_a_scenario_know_whom_something_befalls(tmp_path):
    scenario = load_scenario(write_small_fleet(tmp_path))
    end_ms = int(T_MS[-1])
    assert Links(scenario, anchor_ms=end_ms).disturbed == frozenset()
    faults = (
        Fault(kind="duplicated_delivery", unit="cart-meat", begins_d_before=1.0),
        Fault(kind="clock_reset", unit="cart-meat", begins_h_before=30.0, clock_step_s=3600.0, lasts_h=5.0),
    )
    links = Links(replace(scenario, faults=faults), anchor_ms=end_ms)
    assert links.disturbed == {0}
    found = links.delivered(0, T_MS, VALUES)
    assert {one["kind"] for one in found.told["mishaps"]} == {"duplicated_delivery", "clock_reset"}
    assert mishap(found, "clock_reset")["wrongly_dated"] == 300
    swap = Fault(kind="swapped_identity", unit="cart-meat", other="hall-frozen", begins_d_before=1.0)
    assert Links(replace(scenario, faults=(swap,)), anchor_ms=end_ms).disturbed == {0, 1}


def test_coverage_gaps_of_a_unit_are_outages(tmp_path):
    text = (
        '[scenario]\nname = "Gaps"\nfleet = "small_fleet.toml"\n[[unit]]\nid = "cart-meat"\n'
        '[[unit.event]]\nkind = "out_of_coverage"\nbegins_h_before = 10\nlasts_h = 20\n'
    )
    links = Links(load_scenario(write_small_fleet(tmp_path, scenario=text)), anchor_ms=int(T_MS[-1]))
    assert links.disturbed == {0}
    assert links.delivered(0, T_MS, VALUES).told["still_held"] == 10 * 60 + 1


@pytest.mark.parametrize("clock", [True, False])
def test_numbers_and_dates_are_those_the_firmware_itself_gives(tmp_path, clock):
    """The same day through the real firmware: what waits in its memory when coverage comes back."""
    times = T_MS[1:1441]
    build = Build("u", ("cabinet", "compressor"), 60, 30, 0, 2.0, 12.5, backed_clock=clock)
    flash = FileFlash(tmp_path / "u.flash", pages=build.flash_pages)
    firmware = Firmware(build, flash, boot_ms=START_MS)
    outage, reset = spell("radio_outage", 6, 23), spell("clock_reset", 10, 10)
    board = Board(0, firmware, flash, away=(Away(outage.begins_ms, outage.ends_ms),), fresh=True)
    alive = ~((times >= START_MS + 11 * HOUR_MS) & (times < START_MS + 14 * HOUR_MS))
    for rows in np.split(np.arange(times.size), range(59, times.size, 60)):
        faults = {"clock_resets": np.array([float(times[rows[0]] >= reset.begins_ms)])}
        true = {"alive": alive[rows, None], "locked": np.zeros((rows.size, 1), dtype=bool)}
        readings = {"cabinet": rows[:, None].astype(float), "compressor": np.zeros((rows.size, 1))}
        board.live(Block(times[rows], true, {}, faults), readings, 0)
    kept = samples_of("u", build.channels, firmware.ring.read(0, 2000), boot_began=firmware.boot_began)
    firmware.close()
    found = arrived(times[alive], outages=(outage,), resets=(reset,), backed_clock=clock)
    said = {
        (int(b), int(s)): (int(t), int(q))
        for b, s, t, q in zip(found.bid, found.sq, found.t_ms, found.tq, strict=True)
    }
    held = [one for one in kept if outage.inside(times[[int(one.values["cabinet"])]])[0]]
    assert len(held) == 14 * 60
    for one in held:
        t_ms, tq = said[one.bid, one.sq]
        assert tq == one.tq
        assert one.tq == 0 or t_ms == one.t_ms
