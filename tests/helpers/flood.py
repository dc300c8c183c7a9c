"""A unit that sends as fast as it can, with the broker's own publishing tool."""

import contextlib
import subprocess
from collections.abc import Iterator

from services.telemetry import topics
from tests.helpers.secure_broker import SecureBroker

LINE = "x" * 180


@contextlib.contextmanager
def flood(house: SecureBroker, unit: str) -> Iterator[None]:
    """Flood under one unit's name until the block ends; each line is a message that is no pack."""
    publisher = [
        *("mosquitto_pub", "-h", "127.0.0.1", "-p", str(house.port), "--cafile", str(house.folder.ca)),
        *("-u", unit, "-P", house.secrets[unit], "-V", "5", "-q", "1", "-l", "-t"),
        topics.topic(unit, "up/data"),
    ]
    with (
        subprocess.Popen(["yes", LINE], stdout=subprocess.PIPE) as source,
        subprocess.Popen(publisher, stdin=source.stdout, stderr=subprocess.DEVNULL) as sender,
    ):
        try:
            yield
        finally:
            sender.terminate()
            source.terminate()
