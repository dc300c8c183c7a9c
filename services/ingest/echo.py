"""A message to ourselves through the broker: the whole way there and back."""

import secrets
import time

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from services.errors import DependencyUnavailable
from services.ingest.access import Access

ANSWER_S = 5.0
"""How long the message is waited for."""


def echo_s(access: Access, topic: str) -> float:
    """Return how long a message took to the broker and back.

    Raises
    ------
    DependencyUnavailable
        If it did not come back, with how far it got.
    """
    client = mqtt.Client(CallbackAPIVersion.VERSION2, "", protocol=MQTTProtocolVersion.MQTTv5)
    access.apply(client)
    client.connect_timeout = ANSWER_S
    host, port = access.place()
    word, place = secrets.token_hex(8), f"{topic}/{secrets.token_hex(4)}"
    reached: dict[str, float | str] = {"far": "it does not answer"}

    def on_connect(*told: object) -> None:
        reason = told[3]
        if getattr(reason, "is_failure", True):
            reached["far"] = f"it does not let us in: {reason}"
        else:
            reached["far"] = "it lets us in and does not let us listen"
            client.subscribe(place, qos=1)

    def on_subscribe(*_: object) -> None:
        reached["far"], reached["sent_s"] = "it took the message and did not hand it on", time.monotonic()
        client.publish(place, word, qos=1)

    def on_message(_client: mqtt.Client, _user: object, message: mqtt.MQTTMessage) -> None:
        if message.payload == word.encode():
            reached["took_s"] = time.monotonic() - float(reached["sent_s"])

    client.on_connect, client.on_subscribe, client.on_message = on_connect, on_subscribe, on_message
    try:
        client.connect(host, port, clean_start=True)
        until_s = time.monotonic() + ANSWER_S
        while "took_s" not in reached and time.monotonic() < until_s:
            if client.loop(0.1) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                break
        client.disconnect()
        client.loop(0.1)
    except OSError as error:
        raise DependencyUnavailable(f"nothing answers at {host}:{port}: {error}") from error
    if "took_s" not in reached:
        raise DependencyUnavailable(f"the broker at {host}:{port}: {reached['far']}")
    return float(reached["took_s"])
