import numpy as np

from firmware_sim.firmware.backoff import AT_MOST_S, FIRST_S, SPREAD_S, STEADY_S, BackOff


def _pauses(back_off, attempts):
    pauses = []
    for _ in range(attempts):
        back_off.attempted(100.0)
        pauses.append(back_off.next_s - 100.0)
    return pauses


def test_pauses_double_up_to_the_longest_each_within_half_and_one_and_a_half():
    pauses = _pauses(BackOff("a"), 12)
    plain = [min(FIRST_S * 2**k, AT_MOST_S) for k in range(12)]
    assert all(0.5 * p <= pause <= 1.5 * p for pause, p in zip(pauses, plain, strict=True))


def test_a_connection_that_falls_at_once_does_not_start_over():
    back_off = BackOff("a")
    _pauses(back_off, 8)
    back_off.held(STEADY_S - 1.0)
    assert _pauses(back_off, 1)[0] >= 0.5 * AT_MOST_S
    back_off.held(STEADY_S)
    assert _pauses(back_off, 1)[0] <= 1.5 * FIRST_S


def test_a_fleet_does_not_come_back_as_one():
    """Of five hundred that lost their broker together few knock in the same tenth of a second."""
    moments = [sum(_pauses(BackOff(f"1/unit-{k}"), 8)) for k in range(500)]
    crowd, _ = np.histogram(moments, bins=np.arange(0.0, max(moments) + 0.1, 0.1))
    assert crowd.max() <= 10


def test_units_that_stood_and_lost_their_broker_in_one_instant_are_dealt_out_over_the_spread():
    moments = []
    for k in range(500):
        back_off = BackOff(f"1/unit-{k}")
        back_off.attempted(0.0)
        back_off.held(3_600.0)
        back_off.lost(3_600.0)
        moments.append(back_off.next_s - 3_600.0)
    assert min(moments) >= 0.0
    assert max(moments) <= SPREAD_S
    crowd, _ = np.histogram(moments, bins=np.arange(0.0, SPREAD_S + 0.5, 0.5))
    assert crowd.max() <= 50
    assert crowd.min() >= 8


def test_a_loss_never_shortens_a_pause():
    back_off = BackOff("a")
    _pauses(back_off, 12)
    due_s = back_off.next_s
    back_off.lost(100.0)
    assert back_off.next_s >= due_s
