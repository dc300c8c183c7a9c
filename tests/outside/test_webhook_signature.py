"""Signatures of web calls against the published example of the scheme they follow."""

import base64

import pytest

from services.notify.web import signature

pytestmark = pytest.mark.outside


def test_the_signature_is_that_of_the_published_example():
    # Standard Webhooks specification 1.0.0, signature scheme of symmetric secrets; the numbers are those of
    # the test of its Python reference library (secret, id, timestamp, body, signature), written from memory.
    secret = base64.b64decode("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    body = b'{"test": 2432232314}'
    signed = signature(secret, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1_614_265_330, body)
    assert signed == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
    assert signature(secret, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1_614_265_331, body) != signed
