from services.ingest.brokerlog import FLOODING, REFUSED, WINDOW_MS
from services.ingest.client import Delivery
from services.ingest.gate import BURST, CAP_PER_S, Gate
from services.ingest.link import Arrival
from services.telemetry import topics

T_MS = 1_790_000_000_000


def arrivals(topic, count, *, at_ms=T_MS, payload=b"x"):
    return [
        Arrival(
            1, at_ms, Delivery(topic, payload, qos=1, dup=False, mid=mid, expiry_left_s=None, correlation=b"")
        )
        for mid in range(1, count + 1)
    ]


def data(unit):
    return topics.topic(unit, "up/data")


def test_a_burst_passes_then_the_cap_holds():
    gate = Gate()
    burst, cap = int(BURST), int(CAP_PER_S)
    assert len(gate.admit(arrivals(data("v3-meat"), burst + 500))) == burst
    assert gate.capped == 500
    passed = sum(
        len(gate.admit(arrivals(data("v3-meat"), 50, at_ms=T_MS + step * 100))) for step in range(1, 101)
    )
    assert abs(passed - 10 * cap) <= 1, "ten seconds' worth"


def test_what_others_send_passes_untouched_and_in_order():
    gate = Gate()
    mixed = [
        each
        for pair in zip(arrivals(data("v3-meat"), 3_000), arrivals(data("v3-fish"), 3_000), strict=True)
        for each in pair
    ]
    admitted = gate.admit(mixed[: int(2 * BURST)])
    admitted += gate.admit(arrivals(data("v3-meat"), 10))
    assert len(admitted) == 2 * BURST
    assert gate.capped == 10
    fish = gate.admit(arrivals(data("v3-ice"), 100))
    assert [arrival.delivery.mid for arrival in fish] == list(range(1, 101))


def test_events_have_a_measure_of_their_own_because_nobody_sends_them_again():
    gate = Gate()
    gate.admit(arrivals(data("v3-meat"), int(BURST) + 1))
    assert len(gate.admit(arrivals(topics.topic("v3-meat", "up/event"), 100))) == 100
    assert gate.admit(arrivals(topics.topic("v3-meat", "up/bulk"), 1)) == []


def test_a_fleets_usual_traffic_is_never_capped():
    """A unit that brings a month: ten packs, and ten more with each of five confirmations a second."""
    gate = Gate()
    for second in range(600):
        at_ms = T_MS + second * 1000
        assert len(gate.admit(arrivals(topics.topic("v3-meat", "up/bulk"), 60, at_ms=at_ms))) == 60


def test_a_flood_is_told_once_in_ten_minutes():
    gate = Gate()
    gate.admit(arrivals(data("v3-meat"), int(BURST) + 7))
    (alert,) = gate.alerts(T_MS)
    assert (alert.kind, alert.about) == (FLOODING, "v3-meat")
    assert alert.body == {"held_back": 7, "packs": True, "cap_per_s": CAP_PER_S}
    gate.admit(arrivals(data("v3-meat"), 5))
    assert gate.alerts(T_MS + WINDOW_MS - 1) == []
    assert gate.alerts(T_MS + WINDOW_MS)[0].body["held_back"] == 5


def test_the_brokers_own_words_are_heard_and_never_stored():
    gate = Gate()
    words = arrivals("$SYS/broker/log/N", 2, payload=b"1: Client <unknown> disconnected, not authorised.")
    assert gate.admit(words) == []
    assert (gate.refused_logins, gate.capped) == (2, 0)
    assert [alert.kind for alert in gate.alerts(T_MS)] == [REFUSED]


def test_a_clock_set_back_shuts_nobody_out():
    gate = Gate()
    gate.admit(arrivals(data("v3-meat"), int(BURST)))
    assert gate.admit(arrivals(data("v3-meat"), 1, at_ms=T_MS - 86_400_000)) == []
    assert len(gate.admit(arrivals(data("v3-meat"), 1, at_ms=T_MS - 86_400_000 + 1_000))) == 1


def test_units_that_are_quiet_are_forgotten():
    gate = Gate()
    for number in range(300):
        gate.admit(arrivals(data(f"unit-{number}"), 1))
    gate.alerts(T_MS + WINDOW_MS + 1)
    assert gate._buckets == {}
