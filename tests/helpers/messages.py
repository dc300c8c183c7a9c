"""Messages for tests of the outbox and of who sends them."""

from services.domain import Message

NOW_MS = 1_790_000_000_000


def message(key: str = "a", **changes: object) -> Message:
    plain = {"way": 1, "kind": "mail", "target": "asha@camp.example", "about": "notice", "notice": 4}
    return Message.model_validate({"key": key, "subject": "Kudu", "body": "Warm.", **plain, **changes})
