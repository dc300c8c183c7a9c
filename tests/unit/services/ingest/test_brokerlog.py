"""Lines as mosquitto 2.0.11 wrote them under $SYS/broker/log."""

from services.ingest.brokerlog import CONNECTED_OFTEN, ODD, REFUSED, TAKEN_OVER_OFTEN, WINDOW_MS, BrokerLog

T_MS = 1_790_000_000_000
KNOCK = "1795632391: New connection from 10.0.0.9:42074 on port 8883."
REFUSAL = "1795632391: Client <unknown> disconnected, not authorised."
LET_IN = "1795632391: New client connected from 10.0.0.9:42058 as v3-meat (p5, c1, k60, u'v3-meat')."
TAKEN_OVER = "1795632392: Client v3-meat already connected, closing old connection."
LEFT = "1795632391: Client v3-meat disconnected."


def heard(*lines, log=None, at_ms=T_MS):
    log = BrokerLog() if log is None else log
    for line in lines:
        log.hear(line, at_ms)
    return log


def test_refused_log_ins_are_told_with_their_number_and_where_from():
    log = heard(*[KNOCK, REFUSAL] * 3, KNOCK.replace("10.0.0.9", "10.0.0.8"), LET_IN)
    (alert,) = log.alerts(T_MS)
    assert (alert.kind, alert.about) == (REFUSED, "broker")
    assert alert.body == {"count": 3, "since_ms": T_MS, "among": ["10.0.0.9"]}
    assert log.refused == 3


def test_the_same_trouble_is_told_again_only_after_ten_minutes_and_nothing_of_it_is_forgotten():
    log = heard(KNOCK, REFUSAL)
    assert len(log.alerts(T_MS)) == 1
    heard(KNOCK, REFUSAL, REFUSAL, log=log, at_ms=T_MS + 1)
    assert log.alerts(T_MS + WINDOW_MS - 1) == []
    (later,) = log.alerts(T_MS + WINDOW_MS)
    assert later.body["count"] == 2
    assert log.alerts(T_MS + 3 * WINDOW_MS) == []


def test_two_devices_with_one_credential_are_noticed_once():
    log = BrokerLog()
    for number in range(TAKEN_OVER_OFTEN + 3):
        heard(TAKEN_OVER, LEFT, log=log, at_ms=T_MS + number * 60_000)
    told = log.alerts(T_MS + 480_000)
    assert [(alert.kind, alert.about) for alert in told] == [(ODD, "v3-meat")]
    assert told[0].body == {"taken_over": TAKEN_OVER_OFTEN, "minutes": 10}


def test_a_poor_link_that_comes_back_now_and_then_is_not_odd():
    log = BrokerLog()
    for number in range(60):
        heard(KNOCK, LET_IN, TAKEN_OVER, log=log, at_ms=T_MS + number * WINDOW_MS // 4)
    assert log.alerts(T_MS + 15 * WINDOW_MS) == []


def test_a_unit_that_connects_all_the_time_is_odd():
    log = heard(*[LET_IN] * (CONNECTED_OFTEN - 1))
    assert log.alerts(T_MS) == []
    (alert,) = heard(LET_IN, log=log).alerts(T_MS)
    assert alert.body["connected"] == CONNECTED_OFTEN


def test_names_that_went_quiet_are_forgotten():
    log = BrokerLog()
    for number in range(500):
        heard(LET_IN.replace("v3-meat", f"x-{number}"), log=log)
    log.alerts(T_MS)
    assert len(log._units) == 500
    log.alerts(T_MS + WINDOW_MS)
    assert len(log._units) == 0


def test_other_words_mean_nothing():
    assert heard("", "1: Saving in-memory database to /x.", "not authorised.", LEFT).alerts(T_MS) == []
