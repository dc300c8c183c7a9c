"""Tells lamps and sirens in camp what to show, over the broker of the house."""

import json
import threading
from collections.abc import Callable
from dataclasses import dataclass, field

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from services.domain import Message
from services.notify.deadline import ANSWER_S
from services.notify.failures import NotTakenError, of_connection
from services.telemetry.topics import lamp_topic

_NOBODY_LISTENS = 0x10
"""No matching subscribers (MQTT 5.0, 3.4.2.1): the broker keeps it for whoever comes."""

_ENTRY = "Give the lamp its entry at the broker: bushlarder lamp add NAME --who WHO."


@dataclass(frozen=True, slots=True)
class LampBroker:
    """The broker lamps listen to."""

    host: str
    port: int
    apply: Callable[[mqtt.Client], None] = field(repr=False)
    """Tells a client how to get in."""
    answer_s: float = ANSWER_S


class LampSender:
    """Publishes what a lamp shows: QoS 1, kept by the broker for a lamp that was away; a test is not."""

    def __init__(self, broker: Callable[[], LampBroker | None]) -> None:
        """Take what finds the broker: lamps may be let in while we run."""
        self._broker = broker

    def __call__(self, message: Message) -> str:
        """Send, and return who took it.

        Raises
        ------
        NotTakenError
            With what happened, in words.
        """
        broker = self._broker()
        if broker is None:
            raise NotTakenError("No lamp was let in at the broker yet.", _ENTRY)
        try:
            topic = lamp_topic(message.target)
        except ValueError as error:
            raise NotTakenError(f"{error}.", lasting=True) from error
        code = _Talk(broker).publish(topic, self._words(message), keep=message.about != "test")
        if code.is_failure:
            raise NotTakenError(
                f"The broker did not take it: {str(code).lower()}.",
                _ENTRY,
            )
        listens = "" if code.value != _NOBODY_LISTENS else " No lamp listens at this moment."
        return f"Taken by the broker.{listens}"

    def _words(self, message: Message) -> bytes:
        plain = {"pattern": "flash" if message.about == "test" else "off", **message.data}
        return json.dumps({**plain, "id": message.key, "about": message.about}).encode()


class _Talk:
    """One conversation with the broker: come in, publish, go."""

    def __init__(self, broker: LampBroker) -> None:
        self._broker = broker
        self._told = threading.Event()
        self._code: ReasonCode | None = None
        self._came: ReasonCode | None = None

    def publish(self, topic: str, payload: bytes, *, keep: bool) -> ReasonCode:
        """Publish, and return the broker's answer."""
        broker = self._broker
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        broker.apply(client)
        client.connect_timeout = broker.answer_s

        def came(_client: object, _data: object, _flags: object, code: ReasonCode, _more: object) -> None:
            self._came = code
            if code.is_failure:
                self._told.set()
            else:
                client.publish(topic, payload, 1, retain=keep)

        def answered(_client: object, _data: object, _mid: int, code: ReasonCode, _more: object) -> None:
            self._code = code
            self._told.set()

        client.on_connect = came
        client.on_publish = answered
        try:
            client.connect(broker.host, broker.port, clean_start=True)
        except (OSError, ValueError) as error:
            raise of_connection(error, broker.host, broker.port, broker.answer_s) from error
        client.loop_start()
        try:
            self._told.wait(broker.answer_s)
        finally:
            client.on_connect = None
            client.disconnect()
            client.loop_stop()
        return self._answer()

    def _answer(self) -> ReasonCode:
        if self._came is not None and self._came.is_failure:
            raise NotTakenError(
                f"The broker refused the login: {str(self._came).lower()}.",
                "Look at broker_user and its password file, or at broker_folder.",
            )
        if self._code is None:
            broker = self._broker
            raise of_connection(TimeoutError(), broker.host, broker.port, broker.answer_s)
        return self._code
