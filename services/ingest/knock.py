"""Short visits to the broker: would it let anybody in, and ending somebody's session."""

import time

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from services.errors import ConfigurationError
from services.ingest.access import Access

ANSWER_S = 5.0
"""How long an answer is waited for."""

_log = structlog.get_logger(__name__)


def take_over(access: Access, client_id: str) -> bool:
    """Connect under somebody's client id and leave: the broker ends the other connection and its session."""
    return _visit(access, client_id)


def refuse_open_door(access: Access) -> None:
    """Raise ConfigurationError when a broker reached over the network lets in somebody without a name.

    A broker that does not answer is left to the ordinary link, which waits for it.
    """
    access.require_private()
    if not access.encrypted:
        return
    host, port = access.place()
    nobody = Access(f"mqtts://[{host}]:{port}" if ":" in host else f"mqtts://{host}:{port}", ca=access.ca)
    try:
        let_in = _visit(nobody, "")
    except OSError as error:
        _log.info("ingest.broker.unreachable", error=str(error))
        return
    if let_in:
        raise ConfigurationError(
            "the broker lets in anybody without a name: allow_anonymous must be false", setting="broker_url"
        )


def _visit(access: Access, client_id: str) -> bool:
    """Return whether the broker let us in."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id, protocol=MQTTProtocolVersion.MQTTv5)
    access.apply(client)
    client.connect_timeout = ANSWER_S
    answers: list[ReasonCode] = []
    client.on_connect = lambda _client, _user, _flags, reason, _more: answers.append(reason)
    host, port = access.place()
    client.connect(host, port, clean_start=True)
    until_s = time.monotonic() + ANSWER_S
    while not answers and time.monotonic() < until_s:
        if client.loop(0.1) != MQTTErrorCode.MQTT_ERR_SUCCESS:
            break
    let_in = bool(answers) and not answers[0].is_failure
    client.disconnect()
    client.loop(0.1)
    return let_in
