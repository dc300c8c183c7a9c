from firmware_sim.firmware.way import Air, Way


def _way(**air):
    arrived = []
    way = Way(lambda _leaf, payload, _expiry_s: arrived.append(payload), seed="x")
    way.becomes(Air(**air))
    return way, arrived


def _send(way, count):
    for k in range(count):
        way.send("up/bulk", bytes([k]), None)


def test_a_good_way_changes_nothing():
    way, arrived = _way()
    _send(way, 50)
    way.settle()
    assert arrived == [bytes([k]) for k in range(50)]
    assert way.bytes == 50


def test_repeats_lose_nothing():
    way, arrived = _way(duplicate_share=0.5)
    _send(way, 100)
    assert set(arrived) == {bytes([k]) for k in range(100)}
    assert 130 < len(arrived) < 170


def test_overtaking_changes_the_order_only():
    way, arrived = _way(reorder_share=0.5)
    _send(way, 100)
    assert len(arrived) < 100
    way.settle()
    assert sorted(arrived) == [bytes([k]) for k in range(100)]
    assert arrived != sorted(arrived)


def test_what_is_under_way_goes_with_the_connection():
    way, arrived = _way(reorder_share=1.0)
    _send(way, 3)
    way.drop()
    way.settle()
    assert arrived == []
